//! `verify`: whether what is kept is still what was written.

use crate::cli::{JsonArgs, StoreArgs};
use crate::failure::{FILE, Failure};
use crate::print::outln;
use crate::{print, recorded, render};
use serde_json::{Value, json};
use stepwell_store::{Store, StoreError, Verified};

/// A run, and what was found.
type Checked = (u64, Result<Verified, StoreError>);

/// Carries out `verify`. All that was asked for is looked at, whatever is found on the way.
pub(crate) fn verify(run: Option<u64>, store: &StoreArgs, json: JsonArgs) -> Result<u8, Failure> {
    let store = Store::open_to_read(&recorded::store_path(store)?)?;
    let runs: Vec<Checked> = match run {
        // A slip of the pen is no damage.
        Some(number) => match store.verify_records(number) {
            Err(error @ StoreError::NoSuchRun { .. }) => return Err(error.into()),
            checked => vec![(number, checked)],
        },
        None => store.numbers()?.map(|number| (number, store.verify_records(number))).collect(),
    };
    let file = store.verify_file();
    let good = file.is_ok() && runs.iter().all(|(_, checked)| checked.is_ok());
    if json.json {
        let shown = json!({
            "good": good,
            "file": store.path().display().to_string(),
            "damage": file.err().map(|error| error.to_string()),
            "runs": runs.iter().map(as_json).collect::<Vec<_>>(),
        });
        outln!("{shown:#}");
    } else {
        print(&store, &runs, file.err().as_ref());
    }
    Ok(if good { 0 } else { FILE })
}

/// What an unsealed run is: nothing says whether its end is missing.
fn ending(verified: &Verified) -> &'static str {
    match verified {
        Verified { sealed: true, .. } => "sealed",
        Verified { running: true, .. } => "running: a program is at it now",
        _ => "interrupted: no seal says where it should end",
    }
}

fn print(store: &Store, runs: &[Checked], damage: Option<&StoreError>) {
    if runs.is_empty() {
        outln!("No runs yet in {}.", store.path().display());
    }
    for (number, checked) in runs {
        let (what, after) = (format!("Run {number}: "), " ".repeat(4));
        match checked {
            Ok(verified) => {
                outln!("{what}good, {} records, {}", verified.records, ending(verified));
                outln!("{after}digest {}", verified.digest);
            }
            Err(error) => print::out(&render::wrapped(&format!("{what}BAD: {error}"), "", &after)),
        }
    }
    if let Some(error) = damage {
        print::out(&render::wrapped(&format!("File: BAD: {error}"), "", "    "));
    }
    let good: Vec<u64> =
        runs.iter().filter(|(_, checked)| checked.is_ok()).map(|(number, _)| *number).collect();
    if good.len() < runs.len() || damage.is_some() {
        let words = match good.as_slice() {
            [] => "No run that was looked at is good.".to_owned(),
            good => format!("Every record is what was written in: {}.", stretches(good)),
        };
        print::out(&render::wrapped(&words, "", ""));
    }
}

/// Numbers in order, with runs of them drawn together: "1 to 3, 5".
fn stretches(numbers: &[u64]) -> String {
    numbers
        .chunk_by(|before, after| before + 1 == *after)
        .filter_map(|stretch| match stretch {
            [] => None,
            [only] => Some(only.to_string()),
            [first, .., last] => Some(format!("{first} to {last}")),
        })
        .collect::<Vec<_>>()
        .join(", ")
}

fn as_json((number, checked): &Checked) -> Value {
    match checked {
        Ok(verified) => json!({
            "run": number,
            "good": true,
            "records": verified.records,
            "state": match verified {
                Verified { sealed: true, .. } => "sealed",
                Verified { running: true, .. } => "running",
                _ => "interrupted",
            },
            "digest": verified.digest,
        }),
        Err(error) => {
            // The first bad record, when it is one.
            let record = match error {
                StoreError::BadRecord { seq, record, .. } => json!({"number": seq, "what": record}),
                _ => Value::Null,
            };
            json!({"run": number, "good": false, "bad_record": record, "found": error.to_string()})
        }
    }
}

#[cfg(test)]
mod tests {
    use super::stretches;

    #[test]
    fn numbers_in_a_row_are_drawn_together() {
        assert_eq!(stretches(&[1]), "1");
        assert_eq!(stretches(&[1, 2, 3, 5, 7, 8]), "1 to 3, 5, 7 to 8");
    }
}
