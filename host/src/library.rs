//! Sheets and procedures: those that are shipped, by name, and files.

use crate::failure::Failure;
use std::path::Path;
use stepwell_procedure::procedure::Procedure;
use stepwell_procedure::read::{self, Wrong};
use stepwell_procedure::sheet::{BenchSheet, PumpSheet};

/// A shipped file: its name and its text.
type Shipped = (&'static str, &'static str);

const PUMPS: &[Shipped] = &[
    ("heron", include_str!("../library/pumps/heron.toml")),
    ("plover", include_str!("../library/pumps/plover.toml")),
    ("dunlin", include_str!("../library/pumps/dunlin.toml")),
];

const BENCHES: &[Shipped] = &[("demo", include_str!("../library/benches/demo.toml"))];

const PROCEDURES: &[Shipped] = &[
    ("acceptance", include_str!("../library/procedures/acceptance.toml")),
    ("electrical", include_str!("../library/procedures/electrical.toml")),
    ("fill-and-purge", include_str!("../library/procedures/fill-and-purge.toml")),
];

/// The pump sheet of that name or in that file.
pub(crate) fn pump(wanted: &str) -> Result<PumpSheet, Failure> {
    find("pump sheet", wanted, PUMPS, read::pump_sheet)
}

/// The bench sheet of that name or in that file.
pub(crate) fn bench(wanted: &str) -> Result<BenchSheet, Failure> {
    find("bench sheet", wanted, BENCHES, read::bench_sheet)
}

/// The procedure of that name or in that file.
pub(crate) fn procedure(wanted: &str) -> Result<Procedure, Failure> {
    find("procedure", wanted, PROCEDURES, read::procedure)
}

/// Names of the shipped procedures and of the shipped pump sheets.
pub(crate) fn shipped() -> (Vec<&'static str>, Vec<&'static str>) {
    let names = |shipped: &[Shipped]| shipped.iter().map(|(name, _)| *name).collect();
    (names(PROCEDURES), names(PUMPS))
}

fn find<T>(
    kind: &str,
    wanted: &str,
    shipped: &[Shipped],
    read: fn(&str, &str) -> Result<T, Wrong>,
) -> Result<T, Failure> {
    if let Some((name, text)) = shipped.iter().find(|(name, _)| *name == wanted) {
        return read(&format!("{name}.toml (shipped)"), text)
            .map_err(|wrong| Failure::Usage(wrong.to_string()));
    }
    let path = Path::new(wanted);
    let a_file =
        path.exists() || path.extension().is_some_and(|end| end == "toml") || path.components().count() > 1;
    if !a_file {
        let names: Vec<&str> = shipped.iter().map(|(name, _)| *name).collect();
        let near = did_you_mean(wanted, &names);
        return Err(Failure::Usage(format!(
            "no {kind} “{wanted}”.{near} Shipped are {}; anything else is the path of a file.",
            names.join(", ")
        )));
    }
    let text = read_file(kind, path)?;
    read(wanted, &text).map_err(|wrong| Failure::Usage(wrong.to_string()))
}

/// The question after the one of the names that is nearest, with a space before it; empty when none is near.
pub(crate) fn did_you_mean(wanted: &str, names: &[&str]) -> String {
    names
        .iter()
        .max_by(|a, b| strsim::jaro_winkler(wanted, a).total_cmp(&strsim::jaro_winkler(wanted, b)))
        .filter(|name| strsim::jaro_winkler(wanted, name) > 0.7)
        .map_or(String::new(), |name| format!(" Did you mean “{name}”?"))
}

/// The text of a file.
pub(crate) fn read_file(kind: &str, path: &Path) -> Result<String, Failure> {
    std::fs::read_to_string(path).map_err(|error| {
        let next = match error.kind() {
            std::io::ErrorKind::InvalidData => {
                "this is no text; a sheet or procedure is a TOML file in UTF-8"
            }
            std::io::ErrorKind::IsADirectory => "this is a folder; name a file in it",
            _ => "check the path and its permissions",
        };
        Failure::Usage(format!("reading {kind} {}: {error}; {next}", path.display()))
    })
}
