//! The table for people against the table that the image takes its pins from.

use stepwell_nucleo_g474re::pinmap::{ALL, Pin, Pull, Role};
use toml::{Table, Value};

fn rows() -> Vec<Table> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../../hardware/wiring/nucleo-g474re.toml");
    let text = std::fs::read_to_string(path).expect("the wiring table is there");
    let table: Table = text.parse().expect("the wiring table is TOML");
    let pins = table["pin"].as_array().expect("it has pins");
    pins.iter().map(|row| row.as_table().expect("a pin is a table").clone()).collect()
}

fn text<'a>(row: &'a Table, key: &str) -> &'a str {
    row.get(key).and_then(Value::as_str).unwrap_or_else(|| panic!("`{key}` is missing in {row:?}"))
}

/// What the table must say of a pin: mcu, function, alternate, pull, direction.
fn expected(pin: &Pin) -> (String, &'static str, Option<i64>, &'static str) {
    let alternate = match pin.role {
        Role::Alternate(number) => Some(i64::from(number)),
        Role::Analog | Role::Input | Role::Output => None,
    };
    let pull = match pin.pull {
        Pull::None => "none",
        Pull::Up => "up",
        Pull::Down => "down",
    };
    (format!("P{}{}", pin.port, pin.number), pin.function, alternate, pull)
}

#[test]
fn every_row_is_what_the_image_does() {
    let rows = rows();
    for pin in ALL {
        let found: Vec<_> = rows.iter().filter(|row| text(row, "signal") == pin.signal).collect();
        let [row] = found[..] else { panic!("`{}` has {} rows", pin.signal, found.len()) };
        let said = (
            text(row, "mcu").to_string(),
            text(row, "function"),
            row.get("alternate").and_then(Value::as_integer),
            text(row, "pull"),
        );
        assert_eq!(said, expected(pin), "{}", pin.signal);
        match pin.role {
            Role::Output => assert_eq!(text(row, "direction"), "out", "{}", pin.signal),
            Role::Input => assert_eq!(text(row, "direction"), "in", "{}", pin.signal),
            Role::Analog | Role::Alternate(_) => {}
        }
    }
    assert_eq!(rows.len(), ALL.len(), "the table has a row that the image does not know");
}

#[test]
fn no_row_is_incomplete_and_no_position_is_taken_twice() {
    let rows = rows();
    for (place, row) in rows.iter().enumerate() {
        for key in ["high", "unplugged"] {
            assert!(!text(row, key).is_empty(), "{}: {key}", text(row, "signal"));
        }
        assert!(["in", "out"].contains(&text(row, "direction")), "{}", text(row, "signal"));
        for other in &rows[..place] {
            assert_ne!(text(row, "mcu"), text(other, "mcu"));
            let position = text(row, "connector");
            assert!(position == "debugger" || position != text(other, "connector"), "{position}");
        }
    }
}
