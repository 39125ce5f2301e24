//! Questions, and what is energised while they stand.

use super::{GOOD, Scene, says};
use stepwell_tests::world::checkers::asked;

#[test]
fn what_is_energised_while_a_question_stands_is_found() {
    let mut scene = Scene::of(GOOD);
    let found = |scene: &Scene| asked::energised(&scene.handed, &scene.watch).unwrap_or_default();
    // The guards are shut, before energy, the gauge: the short procedure asks three times, and is answered each time.
    assert_eq!(scene.handed.questions.len(), 3);
    assert!(scene.handed.questions.iter().all(|question| question.until_ms.is_some()));
    assert_eq!(found(&scene), "");
    let works = scene.first(|beside| beside.moment.outputs.energised());
    // Whoever has not answered yet when the work begins.
    let answered_ms = scene.handed.questions[1].until_ms.replace(works);
    assert_eq!(found(&scene), "");
    scene.handed.questions[1].until_ms = Some(works + 1);
    says(&found(&scene), &format!("question 2 stands, and energised at {works} ms"));
    scene.handed.questions[1].until_ms = None;
    says(&found(&scene), &format!("question 2 stands, and energised at {works} ms"));
    scene.handed.questions[1].until_ms = answered_ms;
    // One bit at any time in which a question stands.
    let asked = scene.handed.questions[2].from_ms;
    scene.watch.ticks[asked].moment.outputs.dump_closed = true;
    says(&found(&scene), &format!("question 3 stands, and energised at {asked} ms"));
}

#[test]
fn a_board_that_was_given_up_is_given_its_lease_and_its_hold_and_no_more() {
    let mut scene = Scene::of("short heron 1 good unplug@work6000+5000*1");
    let found = |scene: &Scene| asked::energised(&scene.handed, &scene.watch).unwrap_or_default();
    assert_eq!(found(&scene), "");
    let gave_up_ms = scene.handed.gave_up_ms.expect("the cable was pulled");
    let question = scene.handed.questions.last().copied().expect("it asks for the gauge");
    let works = |scene: &Scene, ms: usize| scene.watch.ticks[ms].moment.drive_on();
    assert!(works(&scene, question.from_ms), "it asks while the board still works");
    // Had the link not been lost, that would be wrong.
    scene.handed.gave_up_ms = None;
    says(&found(&scene), "stands, and energised");
    // What was asked before is no reason, whatever came later.
    scene.handed.gave_up_ms = Some(gave_up_ms);
    let asked = scene.handed.questions[0].from_ms;
    let good = scene.watch.ticks[asked].moment.outputs;
    scene.watch.ticks[asked].moment.outputs.supply_on = true;
    says(&found(&scene), &format!("question 1 stands, and energised at {asked} ms"));
    scene.watch.ticks[asked].moment.outputs = good;
    // Work is given 250 ms of a renewal on its way and 450 ms of lease, a held valve 5 s and a tick more.
    if let Some(last) = scene.handed.questions.last_mut() {
        last.until_ms = None;
    }
    scene.handed.over_ms = scene.watch.ticks.len();
    assert_eq!(found(&scene), "");
    let lease = gave_up_ms + 250 + 450;
    let change = [(lease, false), (lease + 1, true), (lease + 5_001, true)];
    for (ms, is_wrong) in change {
        let good = scene.watch.ticks[ms].moment.outputs;
        scene.watch.ticks[ms].moment.outputs.supply_on = true;
        assert_eq!(found(&scene).contains("stands, and energised"), is_wrong, "{ms} {}", found(&scene));
        scene.watch.ticks[ms].moment.outputs = good;
    }
    for (ms, is_wrong) in [(lease + 5_001, false), (lease + 5_002, true)] {
        let good = scene.watch.ticks[ms].moment.outputs;
        scene.watch.ticks[ms].moment.outputs.pressure_duty_e4 = 1;
        assert_eq!(found(&scene).contains("stands, and energised"), is_wrong, "{ms}");
        scene.watch.ticks[ms].moment.outputs = good;
    }
}
