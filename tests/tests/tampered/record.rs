//! What the disk gives back, and what the program handed to it.

use super::{GOOD, Scene, guards, says};
use stepwell_procedure::finding::Verdict;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::frame::{FRAME_MAX, encode};
use stepwell_protocol::message::FromBoard;
use stepwell_protocol::state::State;
use stepwell_protocol::telemetry::{TelemetryFrame, pack};
use stepwell_protocol::time::Tick;
use stepwell_store::RunState;
use stepwell_tests::world::checkers::record::{Kept, compare};
use stepwell_tests::world::played::host::Handed;
use stepwell_tests::world::witness::said::Said;
use stepwell_tests::world::witness::watch::Beside;

#[test]
fn a_record_that_is_not_what_was_handed_over_is_found() {
    let mut scene = Scene::of(GOOD);
    let unsealed = scene.given_back(|stored| stored.sealed = false);
    says(&unsealed.wrong.join("\n"), "sealed: false, said to be: true");
    let going_on = scene.given_back(|stored| stored.run.state = RunState::Running);
    says(&going_on.wrong.join("\n"), "is said to be going on");
    for index in 0..14 {
        let changed = scene.given_back(|stored| stored.columns[index].pieces[0].counts[700] ^= 1);
        says(
            &changed.wrong.join("\n"),
            &format!("sample 700 of {:?} is not what was handed over", Channel::ALL[index]),
        );
        assert_eq!(changed.lost, scene.handed.acknowledged - 700);
    }
    let dropped = scene.given_back(|stored| {
        for column in &mut stored.columns {
            column.pieces.last_mut().expect("pieces").counts.pop();
        }
    });
    assert_eq!(dropped.lost, 1);
    let more = scene.given_back(|stored| stored.columns[3].pieces.last_mut().expect("pieces").counts.push(0));
    says(&more.wrong.join("\n"), "samples of PressureCurrent more than there were");
    says(&more.wrong.join("\n"), "PressureCurrent was not kept for the same ticks");
    let mistimed = scene.given_back(|stored| stored.columns[0].pieces[0].first_us = Some(1));
    says(&mistimed.wrong.join("\n"), "was not sampled at Some(1) us");
    let event = scene.given_back(|stored| drop(stored.run.events.remove(5)));
    says(&event.wrong.join("\n"), "an entry that was confirmed is not there");
    let finding = scene.given_back(|stored| drop(stored.run.findings.remove(0)));
    says(&finding.wrong.join("\n"), "an entry that was confirmed is not there");
    let better = scene.given_back(|stored| {
        stored.run.outcome.verdict = Verdict::Pass;
        stored.run.findings[0].verdict = Verdict::Fail;
    });
    says(&better.wrong.join("\n"), "no better than Fail, and in all Pass");
    let burst = scene.given_back(|stored| stored.run.bursts[0].counts[50] ^= 1);
    says(&burst.wrong.join("\n"), "is not what the rig showed");
}

#[test]
fn telemetry_that_tells_of_something_else_than_there_was_is_found() {
    let mut scene = Scene::of(GOOD);
    let (tick, sample) = scene.handed.samples[9_000];
    let place = scene.watch.place_of(tick, &sample).expect("it was sent");
    for index in 0..7 {
        let found = scene.shown(|watch| watch.ticks[place].analog[index] ^= 1);
        says(&found, &format!("tick {tick} tells of"));
    }
    let changes: [fn(&mut Beside); 12] = [
        |beside| beside.pulses[0].count ^= 1,
        |beside| beside.pulses[0].edge_us ^= 1,
        |beside| beside.pulses[1].count ^= 1,
        |beside| beside.pulses[1].edge_us ^= 1,
        |beside| beside.moment.outputs.inlet_duty_e4 ^= 1,
        |beside| beside.moment.outputs.pressure_duty_e4 ^= 1,
        |beside| beside.moment.outputs.supply_on ^= true,
        |beside| beside.moment.outputs.drive_rpm = u16::from(beside.moment.outputs.drive_rpm == 0),
        |beside| beside.moment.outputs.dump_closed ^= true,
        |beside| beside.moment.state = State::Tripped,
        |beside| beside.contacts[0] ^= true,
        |beside| beside.contacts[2] ^= true,
    ];
    for change in changes {
        let found = scene.shown(|watch| change(&mut watch.ticks[place]));
        says(&found, &format!("tick {tick} tells of"));
    }
    // What only the wire tells: guards, lease, when the rail is low; and the shaft's pulses over two seconds.
    let no_guards = scene.shown(|watch| watch.said.retain(|(_, said)| !matches!(said, Said::Guards(_))));
    says(&no_guards, "tells of guards: true, and there was false");
    let no_lease = scene.shown(|watch| watch.said.retain(|(_, said)| *said != Said::Renewed));
    says(&no_lease, "tells of a lease: true, and there was false");
    let never_low = scene.shown(|watch| guards(watch, |guards| guards.rail_low = 0));
    says(&never_low, "tells of a rail proven low: true");
}

#[test]
fn samples_that_nobody_sent_or_that_were_left_out_are_found() {
    let mut scene = Scene::of(GOOD);
    let tick = scene.handed.samples[500].0;
    let swapped = scene.handed(|handed| handed.samples.swap(500, 501));
    says(&swapped, &format!("after the sample of tick {} comes that of tick {tick}", tick + 1));
    let twice = scene.handed(|handed| {
        let again = handed.samples[500];
        handed.samples.insert(500, again);
    });
    says(&twice, &format!("after the sample of tick {tick} comes that of tick {tick}"));
    let never = scene.handed(|handed| handed.samples[500].1[0] ^= 1);
    says(&never, "was never sent");
    let tick = scene.handed.samples[500].0;
    let left_out = scene.handed(|handed| {
        handed.samples.remove(500);
    });
    says(&left_out, "reached the program and was left out");
    // A board that puts a word on the wire that is no status.
    let (_, mut sample) = scene.handed.samples[500];
    sample[Channel::Status.index()] = u16::MAX;
    let mut packed = [0; 400];
    let len = pack(&[sample], &mut packed).expect("a tick can be packed");
    let frame =
        TelemetryFrame { number: 0, first: Tick(tick), first_us: 0, ticks: 1, packed: &packed[..len] };
    let mut bytes = [0; FRAME_MAX];
    let len = encode(&FromBoard::Telemetry(frame), &mut bytes).expect("a frame");
    scene.watch.spoke(&bytes[..len]);
    let no_status = scene.handed(|handed| handed.samples[500].1 = sample);
    says(&no_status, "has no status: 0xffff");
}

#[test]
fn what_came_more_than_a_second_ago_and_is_on_no_disk_is_found() {
    let late = "was not on the disk";
    let mut completed = Scene::of(GOOD);
    // Two in a row are a second and a half without one.
    let missed = completed.handed(|handed| drop(handed.commits.drain(10..12)));
    says(&missed, late);
    let mut killed = Scene::of("short heron 1 good host-killed@work2500+60000*1");
    let missed = killed.handed(|handed| handed.commits.truncate(handed.commits.len() - 2));
    says(&missed, late);
    // The link is lost for five seconds: what came before would be on the disk with the seal only.
    let mut lost = Scene::of("short heron 1 good line-interrupted@work2500+5000*1");
    let missed = lost.handed(|handed| {
        let all = handed.samples.len();
        let seal = handed.commits.len() - 1;
        let first = handed.commits.iter().position(|(_, samples)| *samples == all).expect("confirmed");
        handed.commits.drain(first..seal);
    });
    says(&missed, late);
}

/// A program that keeps what it hears to itself for longer and longer, and is killed or loses its link before it hands it
/// over; what a good one had not yet handed over when it was killed is no more than the rule allows.
#[test]
fn what_was_withheld_until_a_kill_or_the_loss_of_the_link_is_found() {
    let cut = |handed: &mut Handed, samples: usize| {
        handed.samples.truncate(samples);
        handed.commits.iter_mut().for_each(|(_, confirmed)| *confirmed = samples.min(*confirmed));
    };
    for (case, by_the_end) in [
        ("short heron 1 good host-killed@work2500+60000*1", "killed"),
        ("short heron 1 good line-interrupted@work2500+5000*1", "link lost"),
    ] {
        let mut scene = Scene::of(case);
        let withheld = scene.handed(|handed| cut(handed, handed.samples.len() - 5_000));
        assert!(withheld.contains("was not on the disk"), "{by_the_end}: {withheld:?}");
        let last_second = scene.handed(|handed| cut(handed, handed.acknowledged));
        assert_eq!(last_second, "", "{by_the_end}");
    }
}

#[test]
fn a_disk_that_confirmed_what_was_never_begun_is_found() {
    let scene = Scene::of(GOOD);
    let nowhere = std::path::Path::new("nowhere");
    let kept = |acknowledged| {
        let handed = Handed { acknowledged, ..Handed::default() };
        compare(nowhere, &scene.plan, &handed, 0, &scene.watch)
    };
    assert_eq!(kept(0), Kept::default());
    says(&kept(1).wrong.join("\n"), "1 samples confirmed of a run that was never begun");
}
