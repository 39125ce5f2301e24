//! Files that are not what they should be, and what is said about them.

use crate::sample::*;
use rusqlite::Connection;
use std::path::Path;
use stepwell_protocol::time::Tick;
use stepwell_store::{RunState, Store, StoreError};

fn both(path: &Path) -> [StoreError; 2] {
    [Store::open(path).unwrap_err(), Store::open_to_read(path).unwrap_err()]
}

#[test]
fn no_file_means_no_runs_yet_and_says_where_it_looked() {
    let (_folder, path) = folder();
    let error = Store::open_to_read(&path).unwrap_err();
    assert!(matches!(error, StoreError::NothingStored { .. }), "{error}");
    assert!(error.to_string().contains(path.to_str().unwrap()), "{error}");
    assert!(!path.exists(), "reading never makes a file");
    std::fs::write(&path, "").unwrap();
    let error = Store::open_to_read(&path).unwrap_err();
    assert!(matches!(error, StoreError::NothingStored { .. }), "{error}");
    // An empty file is as good as none for writing.
    write_run(&mut Store::open(&path).unwrap(), "a");
    Store::open_to_read(&path).unwrap().verify(1).unwrap();
}

#[test]
fn a_folder_is_no_store() {
    let folder = tempfile::tempdir().unwrap();
    for error in both(folder.path()) {
        assert!(matches!(error, StoreError::Folder { .. }), "{error}");
    }
}

#[test]
fn a_folder_that_is_not_there_is_named() {
    let (folder, _) = folder();
    let path = folder.path().join("no").join("such").join("runs.stepwell");
    let error = Store::open(&path).unwrap_err().to_string();
    assert!(error.contains("no/such/runs.stepwell"), "{error}");
}

#[test]
fn another_kind_of_file_is_refused_and_left_as_it_is() {
    let (_folder, path) = folder();
    for text in ["a shopping list\n".repeat(200), "a shopping list\n".to_owned(), "x".to_owned()] {
        std::fs::write(&path, &text).unwrap();
        for error in both(&path) {
            assert!(matches!(error, StoreError::NotAStore { .. }), "{error}");
        }
        assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    }
}

#[test]
fn another_programs_database_is_refused_and_left_as_it_is() {
    let (_folder, path) = folder();
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE runs (number INTEGER)").unwrap();
    let before = std::fs::read(&path).unwrap();
    for error in both(&path) {
        assert!(matches!(error, StoreError::NotAStore { .. }), "{error}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn a_newer_layout_is_refused_with_both_versions() {
    let (_folder, path) = folder();
    store_of(1, &path);
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 7).unwrap();
    for error in both(&path) {
        assert!(matches!(error, StoreError::Newer { found: 7, known: 1, .. }), "{error}");
        let said = error.to_string();
        assert!(said.contains("version 7") && said.contains("up to 1"), "{said}");
    }
}

#[test]
fn a_store_opened_to_read_cannot_be_written() {
    let (_folder, path) = folder();
    store_of(1, &path);
    let mut store = Store::open_to_read(&path).unwrap();
    let error = store.begin(&head("a")).unwrap_err();
    assert!(matches!(error, StoreError::NotPermitted { .. }), "{error}");
}

/// Proof kept on a medium that cannot be written must still be readable. The administrator may write
/// everywhere, so for that user there is nothing to see here.
#[cfg(unix)]
#[test]
fn a_folder_that_cannot_be_written_can_be_read_and_says_so_when_written() {
    use std::os::unix::fs::PermissionsExt;
    let (folder, path) = folder();
    store_of(1, &path);
    let permit = |path: &Path, mode| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    permit(&path, 0o444);
    permit(folder.path(), 0o555);
    if std::fs::File::create(folder.path().join("probe")).is_ok() {
        return;
    }
    let store = Store::open_to_read(&path).unwrap();
    crate::round_trip::expect_run(&store, 1, "pump 1");
    store.verify(1).unwrap();
    let error = Store::open(&path).and_then(|mut store| store.begin(&head("a")).map(drop)).unwrap_err();
    assert!(matches!(error, StoreError::NotPermitted { .. }), "{error}");
    permit(folder.path(), 0o755);
}

#[test]
#[expect(clippy::disallowed_methods, reason = "compares the time that is told with the time that passed")]
fn a_store_that_another_program_keeps_locked_is_waited_for_as_long_as_is_said() {
    let (_folder, path) = folder();
    store_of(1, &path);
    let other = Connection::open(&path).unwrap();
    other.execute_batch("PRAGMA locking_mode = EXCLUSIVE; BEGIN EXCLUSIVE").unwrap();
    let asked = std::time::Instant::now();
    let StoreError::Busy { waited_s, .. } = Store::open_to_read(&path).unwrap_err() else {
        panic!("it is locked");
    };
    let waited = asked.elapsed();
    // Once, and not twice.
    assert!(
        waited.as_secs() >= waited_s - 1 && waited.as_secs() < 2 * waited_s,
        "{waited:?}, not {waited_s} s"
    );
}

/// Each name has a journal of its own: two programs would write over each other's runs and never know.
#[test]
#[cfg(unix)]
fn a_store_that_has_two_names_is_not_written() {
    let (folder, path) = folder();
    store_of(1, &path);
    let other = folder.path().join("other");
    std::fs::hard_link(&path, &other).unwrap();
    for name in [&path, &other] {
        let error = Store::open(name).unwrap_err();
        assert!(matches!(error, StoreError::ManyNames { names: 2, .. }), "{error}");
        Store::open_to_read(name).unwrap().verify(1).unwrap();
    }
    std::fs::remove_file(&other).unwrap();
    Store::open(&path).unwrap();
}

/// A link to the file, and a link to that link from another folder.
#[test]
#[cfg(unix)]
fn a_store_behind_symbolic_links_is_the_file_they_lead_to() {
    use std::os::unix::fs::symlink;
    let (folder, _) = folder();
    let [real, far] = ["real", "far"].map(|name| folder.path().join(name));
    std::fs::create_dir(&real).unwrap();
    std::fs::create_dir(&far).unwrap();
    let (path, near, far) = (real.join("runs"), folder.path().join("near"), far.join("runs"));
    symlink("real/runs", &near).unwrap();
    symlink("../near", &far).unwrap();
    // The first of them makes the file: until then the links lead to nothing.
    for (number, through) in (1..).zip([&far, &near, &path]) {
        let mut store = Store::open(through).unwrap();
        let mut writer = store.begin(&head("a")).unwrap();
        writer.samples(Tick(0), &samples(0, 10));
        writer.commit().unwrap();
        for seen in [&far, &near, &path] {
            let runs = Store::open_to_read(seen).unwrap().runs().unwrap();
            let state = runs.iter().find(|run| run.number == number).map(|run| run.state);
            assert_eq!(state, Some(RunState::Running), "run {number} seen through {}", seen.display());
        }
        writer.seal(&outcome(), "{}").unwrap();
        drop(store);
        let beside = |link: &Path| std::fs::read_dir(link.parent().unwrap()).unwrap().count();
        assert_eq!((beside(&near), beside(&far)), (3, 1), "nothing is left beside a link");
    }
    assert_eq!(Store::open_to_read(&path).unwrap().runs().unwrap().len(), 3);
}

#[test]
#[cfg(unix)]
fn links_that_lead_in_a_circle_are_no_store() {
    let (_folder, path) = folder();
    std::os::unix::fs::symlink(&path, &path).unwrap();
    for error in both(&path) {
        assert!(matches!(error, StoreError::System { .. }), "{error}");
    }
}
