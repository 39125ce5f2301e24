//! What is worked after the stop key.

use super::{Scene, says};
use stepwell_tests::world::checkers::stopped::worked_on;
use stepwell_tests::world::judged;
use stepwell_tests::world::played::host::Handed;
use stepwell_tests::world::played::line::Quality;

#[test]
fn what_is_worked_longer_than_the_stop_key_promises_is_found() {
    let scene = Scene::of("short heron 1 good person-stops@work2500+60000*1");
    let doing = judged(&scene.plan, &scene.watch, None).doing;
    let pressed = scene.handed.stop_pressed_ms.expect("the key was pressed");
    let worked = doing.iter().rposition(|doing| doing.works()).expect("it worked");
    assert!((pressed..pressed + 20).contains(&worked), "pressed at {pressed} ms, worked until {worked} ms");
    assert!(scene.handed.stops_said_ms.contains(&pressed));
    let found = |pressed: usize, said: Vec<usize>, line: Quality| {
        let (stop_pressed_ms, over_ms) = (Some(pressed), scene.handed.over_ms);
        let handed = Handed { stop_pressed_ms, stops_said_ms: said, over_ms, ..Handed::default() };
        worked_on(&handed, &doing, line).unwrap_or_default()
    };
    // What is said again does not make up for it on a line that loses nothing.
    assert_eq!(found(worked - 100, vec![worked], Quality::GOOD), "");
    says(&found(worked - 101, vec![worked], Quality::GOOD), &format!("the board works at {worked} ms"));
    // On one that does the key is on its way for as long as it is said again.
    let bad = |said: Vec<usize>| found(worked - 300, said, Quality::BAD);
    assert_eq!(bad(vec![worked - 300, worked - 200, worked - 100]), "");
    let again = |ms: usize| format!("is not told to stop again at {ms} ms");
    says(&bad(vec![worked - 300, worked - 200]), &again(worked - 99));
    says(&bad(vec![worked - 300, worked - 198, worked - 100]), &again(worked - 199));
}
