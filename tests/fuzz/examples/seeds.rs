//! Writes what fuzzing begins with: into `corpus/`, which is committed, printed frames of the specification,
//! thinned recordings of the tests, and short scripts for the targets that play some; into `found/`, which is
//! not, the shipped and the wrong sheets, which stand elsewhere in this repository already.

use std::fs;
use std::path::{Path, PathBuf};
use stepwell_fuzz::board::{self, variant};

fn main() -> std::io::Result<()> {
    let fuzz = Path::new(env!("CARGO_MANIFEST_DIR"));
    let root = fuzz.join("../..");
    let seed = |target: &str, name: &str, bytes: &[u8]| {
        let folder = fuzz.join(if target == "sheets" { "found" } else { "corpus" }).join(target);
        fs::create_dir_all(&folder)?;
        fs::write(folder.join(name), bytes)
    };

    let mut wrong: Vec<PathBuf> = files(&root.join("tests/data/wrong"))?;
    wrong.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    let library = root.join("host/library");
    for folder in ["pumps", "benches", "procedures"] {
        wrong.extend(files(&library.join(folder))?);
    }
    for path in wrong {
        seed("sheets", &name(&path), &fs::read(&path)?)?;
    }

    // Every so-and-so-many-th row is a recording too, and a small one.
    let heads = [
        ("coil", "0|41 degC within 1 K|||||j"),
        ("step", "1|||||0 s|p"),
        ("air", "2||31.5 cm3|1.41 GPa within 5 %||-0.1 s|"),
        ("leak-down", "3||31.5 cm3 within 1 cm3|1.41 GPa|||"),
        ("sweep", "4||||||jp"),
        ("flow", "5||||8234 /L within 1 %||"),
    ];
    for (kind, head) in heads {
        let text = fs::read_to_string(root.join("tests/data/recordings").join(kind).with_extension("csv"))?;
        let mut lines = text.lines();
        let headings = lines.next().unwrap_or_default();
        let rows: Vec<&str> = lines.collect();
        let thin: Vec<&str> = rows.iter().step_by((rows.len() / 60).max(1)).copied().collect();
        seed("recordings", kind, [head, headings, &thin.join("\n")].join("\n").as_bytes())?;
    }

    let page = fs::read_to_string(root.join("docs/protocol.md"))?;
    for (number, frame) in page.split("```frame ").skip(1).enumerate() {
        let block = frame.split("```").next().unwrap_or_default();
        let body = hex(block, "body");
        // A piece of the kind “body”, as the target reads it: its length comes at the end.
        let mut script = vec![3, 1, 7, 0, 0, 0, 0x60];
        script.extend_from_slice(&body);
        script.push(body.len() as u8);
        seed("frames", &format!("frame-{number}"), &script)?;
        seed("telemetry", &format!("frame-{number}"), &body)?;
    }

    for (name, script) in board::scripts() {
        seed("board", name, &script)?;
    }

    let exchanges = |count: u8| [variant(3, 11), vec![count, 1]].concat();
    seed("link", "bench", &[vec![1], exchanges(250), exchanges(250)].concat())?;
    seed("link", "stop", &[vec![0], exchanges(200), variant(8, 11), exchanges(20)].concat())?;
    seed("link", "mangled", &[vec![1], exchanges(100), variant(4, 11), vec![3, 1, 9, 0, 4, 1, 0]].concat())?;

    let patched = |table: u8, column: u8, row: u8| {
        [variant(7, 10), vec![table, column, row], variant(5, 6), vec![5, 0], b"seven\x05".to_vec()].concat()
    };
    for (name, script) in [
        ("head", patched(0, 1, 0)),
        ("entry", patched(1, 3, 1)),
        ("chunk", patched(2, 7, 9)),
        ("seal", patched(3, 2, 0)),
        ("flip", [variant(1, 10), vec![0, 0x21, 0, 0, 0x40]].concat()),
        ("cut", [variant(5, 10), vec![0, 0x41, 0, 0]].concat()),
    ] {
        seed("store", name, &script)?;
    }
    Ok(())
}

fn files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    fs::read_dir(folder)?.map(|entry| entry.map(|entry| entry.path())).collect()
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// The bytes of one section of a printed frame.
fn hex(block: &str, wanted: &str) -> Vec<u8> {
    let mut section = "";
    let mut bytes = Vec::new();
    for line in block.lines().skip(1) {
        let (word, rest) = line.split_at_checked(5).unwrap_or((line, ""));
        if !word.trim().is_empty() {
            section = word.trim();
        }
        if section == wanted {
            let pairs = rest.trim_start().split("  ").next().unwrap_or_default();
            bytes.extend(pairs.split_whitespace().filter_map(|pair| u8::from_str_radix(pair, 16).ok()));
        }
    }
    bytes
}
