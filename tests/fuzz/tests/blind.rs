//! The witness of `board` can fail: a board that does not see one cause of trips is caught by it, in its words, and one
//! that sees everything is not.

use std::panic::catch_unwind;
use stepwell_fuzz::board::{Unseen, dwelt_ms, scripts, unseen};

#[test]
fn a_board_that_sees_everything_is_not_caught() {
    for (name, script) in scripts() {
        println!("{name}");
        dwelt_ms(&script, None);
    }
}

#[test]
fn a_board_that_does_not_see_a_cause_is_caught() {
    for Unseen { name, cause, script, said } in unseen() {
        let panic = catch_unwind(|| dwelt_ms(&script, Some(cause)));
        let panic = panic.map(|dwelt_ms| panic!("{name}: {dwelt_ms} ms of dwells, and nothing is said"));
        let panic = panic.unwrap_err();
        let word = panic.downcast_ref::<&str>().copied();
        let what = panic.downcast_ref::<String>().map(String::as_str).or(word).expect("words");
        assert!(what.contains(said), "{name}: {what:?} instead of {said:?}");
    }
}
