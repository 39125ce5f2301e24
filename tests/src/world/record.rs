//! The record against what really was: nothing that a disk has confirmed is lost, nothing in it is other than
//! what the board sent, and what the board sent of its outputs is what it drove.

use super::host::Handed;
use super::watch::Watch;
use std::path::Path;
use stepwell_protocol::channel::{CHANNELS, Channel, Coil};
use stepwell_protocol::state::Status;
use stepwell_store::Store;

/// What became of a record.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// Samples that the disk had confirmed and that are not there.
    pub lost: usize,
    /// Samples that the disk had confirmed.
    pub acknowledged: usize,
    /// Everything else that is wrong.
    pub wrong: Vec<String>,
}

/// Compares the run that `handed` tells of with what is in the store at `path`.
#[must_use]
pub fn compare(path: &Path, handed: &Handed, watch: &Watch) -> Kept {
    let mut kept = Kept { acknowledged: handed.acknowledged, ..Kept::default() };
    if handed.number == 0 {
        return kept;
    }
    if let Err(why) = read_back(path, handed, watch, &mut kept) {
        kept.lost = handed.acknowledged;
        kept.wrong.push(why.to_string());
    }
    kept
}

fn read_back(
    path: &Path,
    handed: &Handed,
    watch: &Watch,
    kept: &mut Kept,
) -> Result<(), stepwell_store::StoreError> {
    let store = Store::open_to_read(path)?;
    let verified = store.verify(handed.number)?;
    if verified.sealed != handed.sealed {
        kept.wrong.push(format!("sealed: {}, said to be: {}", verified.sealed, handed.sealed));
    }
    let mut columns = Vec::with_capacity(CHANNELS);
    for channel in Channel::ALL {
        let column = store.samples(handed.number, channel)?;
        let pieces = column.pieces.into_iter();
        let flat: Vec<(u32, u16)> = pieces.flat_map(|piece| (piece.first.0..).zip(piece.counts)).collect();
        columns.push(flat);
    }
    for (column, channel) in columns.iter().zip(Channel::ALL) {
        if column.len() > handed.samples.len() {
            kept.wrong.push(format!("{} samples of {channel:?} more than there were", column.len()));
        }
        let good = column.iter().zip(&handed.samples);
        let same =
            good.take_while(|(kept, (tick, sample))| **kept == (*tick, sample[channel.index()])).count();
        kept.lost = kept.lost.max(handed.acknowledged.saturating_sub(same));
        if same < column.len().min(handed.samples.len()) {
            kept.wrong.push(format!("sample {same} of {channel:?} is not what was handed over"));
        }
    }
    kept.wrong.extend(untrue(handed, watch));
    Ok(())
}

/// Samples that the board never sent, or that tell of other outputs than it had.
fn untrue(handed: &Handed, watch: &Watch) -> Option<String> {
    handed.samples.iter().find_map(|(tick, sample)| {
        let Some(beside) = watch.place_of(*tick, sample) else {
            return Some(format!("the sample of tick {tick} was never sent"));
        };
        let (outputs, state) = (&beside.moment.outputs, beside.moment.state);
        let status = Status::from_word(sample[Channel::Status.index()])?;
        let told = [sample[Coil::Inlet.duty().index()], sample[Coil::Pressure.duty().index()]];
        let true_to = told == [outputs.inlet_duty_e4, outputs.pressure_duty_e4]
            && status.state == state
            && status.drive_on == (outputs.drive_rpm > 0)
            && status.supply_on == outputs.supply_on
            && status.dump_closed == outputs.dump_closed;
        (!true_to).then(|| {
            format!("tick {tick} tells of {told:?}, {status:?}, and there was {outputs:?}, {state:?}")
        })
    })
}
