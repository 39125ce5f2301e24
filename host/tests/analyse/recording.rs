//! A recording as a table that can be spoilt, and the program asked about it.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What a program told.
#[derive(Debug)]
pub struct Told {
    /// Its exit code.
    pub code: Option<i32>,
    /// Its standard output.
    pub out: String,
    /// Its standard error.
    pub err: String,
}

impl Told {
    /// The findings, or none when nothing was printed.
    pub fn findings(&self) -> Vec<Value> {
        let json: Value = serde_json::from_str(&self.out).unwrap_or(Value::Null);
        json["findings"].as_array().cloned().unwrap_or_default()
    }
}

/// `stepwell analyse` with these arguments.
pub fn analyse(arguments: &[&str]) -> Told {
    let output = Command::new(env!("CARGO_BIN_EXE_stepwell"))
        .arg("analyse")
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .expect("the program starts");
    let text = |bytes| String::from_utf8(bytes).expect("it prints text");
    Told { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

/// A recording made elsewhere, with the truth.
#[derive(Clone, Debug)]
pub struct Recording {
    /// Its kind.
    pub kind: String,
    /// Its file.
    pub file: PathBuf,
    /// Options that belong to it.
    pub options: Vec<String>,
    /// What is really so, by finding, in SI units.
    pub truth: Vec<(String, f64)>,
}

impl Recording {
    /// The program's word on `file` as a recording of this kind.
    pub fn told(&self, file: &Path, more: &[&str]) -> Told {
        let mut arguments = vec![self.kind.as_str(), file.to_str().expect("a plain path")];
        arguments.extend(self.options.iter().map(String::as_str));
        arguments.extend(more);
        analyse(&arguments)
    }
}

/// The six recordings of `tests/data/recordings`.
pub fn six() -> Vec<Recording> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/data/recordings");
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("the truth is there");
    let truths: Value = serde_json::from_str(&text).expect("the truth is JSON");
    let recordings = truths["recordings"].as_array().expect("a list");
    let texts = |value: &Value| {
        let list = value.as_array().expect("a list").iter();
        list.map(|text| text.as_str().expect("a text").to_owned()).collect()
    };
    recordings
        .iter()
        .map(|recording| Recording {
            kind: recording["kind"].as_str().expect("a kind").to_owned(),
            file: folder.join(recording["file"].as_str().expect("a file")),
            options: texts(&recording["options"]),
            truth: recording["truth"]
                .as_object()
                .expect("a table")
                .iter()
                .map(|(finding, truth)| (finding.clone(), truth.as_f64().expect("a number")))
                .collect(),
        })
        .collect()
}

/// Columns and rows of numbers.
#[derive(Clone, Debug)]
pub struct Table {
    /// Names with units.
    pub columns: Vec<String>,
    /// The rows.
    pub rows: Vec<Vec<f64>>,
}

impl Table {
    /// What is in one of the six files, whichever way it is written.
    pub fn read(file: &Path) -> Table {
        let text = std::fs::read_to_string(file).expect("the recording is there");
        let text = text.trim_start_matches('\u{feff}');
        let mark = if text.contains(';') { ';' } else { ',' };
        let mut lines = text.lines().map(|line| line.split(mark));
        let columns = lines.next().expect("a header").map(str::to_owned).collect();
        let number = |cell: &str| cell.replace(',', ".").parse().expect("a number");
        Table { columns, rows: lines.map(|cells| cells.map(number).collect()).collect() }
    }

    /// The file, with commas between cells and points in numbers.
    pub fn text(&self) -> String {
        self.text_with(',', '.')
    }

    /// The file with other marks.
    pub fn text_with(&self, between: char, decimal: char) -> String {
        let mut text = self.columns.join(&between.to_string()) + "\n";
        for row in &self.rows {
            let cells: Vec<String> =
                row.iter().map(|number| number.to_string().replace('.', &decimal.to_string())).collect();
            text += &(cells.join(&between.to_string()) + "\n");
        }
        text
    }

    /// Place of the column whose name begins with `name`.
    pub fn place(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|column| column.starts_with(name))
    }

    /// Places of the columns that show what was measured: all but time, duty and temperature.
    pub fn signals(&self) -> Vec<usize> {
        let is =
            |column: &str| ["current", "voltage", "pressure", "flow"].iter().any(|n| column.starts_with(n));
        (0..self.columns.len()).filter(|&place| is(&self.columns[place])).collect()
    }

    /// Changes one column, which sees its own numbers.
    pub fn change(&mut self, place: usize, mut to: impl FnMut(f64) -> f64) {
        for row in &mut self.rows {
            row[place] = to(row[place]);
        }
    }
}
