//! Every shipped sheet and procedure reads without a fault, and they go together.

use std::fs;
use std::path::{Path, PathBuf};
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::read::{self, Kind};

fn library(folder: &str) -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../library").join(folder);
    let entries = fs::read_dir(folder).expect("the library is there");
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("readable").path()).collect();
    paths.sort();
    let named = |path: PathBuf| {
        let name = path.file_name().expect("a file").to_string_lossy().into_owned();
        (name, fs::read_to_string(path).expect("readable"))
    };
    paths.into_iter().map(named).collect()
}

fn all<T>(folder: &str, kind: Kind, read: fn(&str, &str) -> Result<T, read::Wrong>) -> Vec<T> {
    let files = library(folder);
    assert!(!files.is_empty(), "{folder}");
    let read = |(name, text): (String, String)| {
        assert_eq!(read::kind_of(&name, &text), Ok(kind), "{name}");
        read(&name, &text).unwrap_or_else(|wrong| panic!("{wrong}"))
    };
    files.into_iter().map(read).collect()
}

#[test]
fn everything_reads_and_goes_together() {
    let pumps = all("pumps", Kind::PumpSheet, read::pump_sheet);
    let benches = all("benches", Kind::BenchSheet, read::bench_sheet);
    let procedures = all("procedures", Kind::Procedure, read::procedure);
    assert!(pumps.iter().all(|pump| pump.demo) && benches.iter().all(|bench| bench.demo));
    for pump in &pumps {
        for bench in &benches {
            for procedure in &procedures {
                let found = read::check_together(pump, bench, procedure);
                assert!(found.is_empty(), "{found:#?}");
            }
        }
    }
    // Files are found by their names.
    for (folder, names) in [
        ("pumps", pumps.iter().map(|pump| &pump.name).collect::<Vec<_>>()),
        ("benches", benches.iter().map(|bench| &bench.name).collect()),
        ("procedures", procedures.iter().map(|procedure| &procedure.name).collect()),
    ] {
        let files = library(folder);
        for (name, (file, _)) in names.into_iter().zip(&files) {
            assert_eq!(&format!("{name}.toml"), file);
        }
    }
}

/// Numbers of the demo sheets arrive in SI units, of a half-width of 95 % the 1.96th part is the standard uncertainty
/// (JCGM 100:2008, 4.3.4; to ten digits the quantile is 1.9599639845).
#[test]
fn values_arrive_in_si_units() {
    let text = |folder, file: &str| library(folder).into_iter().find(|(name, _)| name == file).unwrap().1;
    let close = |value: f64, wanted: f64| {
        // A few roundings of the last bit.
        assert!((value - wanted).abs() <= 4.0 * f64::EPSILON * wanted.abs(), "{value:e} {wanted:e}");
    };
    let of_half_width = |half_width: f64, u: f64| assert!((half_width / u - 1.959_963_984_5).abs() < 1e-9);
    let heron = read::pump_sheet("heron.toml", &text("pumps", "heron.toml")).unwrap();
    close(heron.displacement_m3_per_rev, 0.6e-6);
    close(heron.points.speed_rev_per_s, 250.0 / 60.0);
    close(heron.points.bias_duty.unwrap() + heron.points.step_duty.unwrap(), 0.20);
    close(heron.tolerances.pressure_rise_pa.unwrap().max.unwrap(), 10.5e6);
    assert_eq!(heron.tolerances.leak_time_constant_s.unwrap().max, None);
    let bench = read::bench_sheet("demo.toml", &text("benches", "demo.toml")).unwrap();
    close(bench.rail_volume_m3.value, 25e-6);
    of_half_width(1e-6, bench.rail_volume_m3.standard_uncertainty);
    of_half_width(1.3e9 * 0.05, bench.fluid_modulus_pa.standard_uncertainty);
    of_half_width(5.0 * 0.01, bench.supply_divider.standard_uncertainty);
    of_half_width(0.01, bench.rail_pressure.gain_u);
    close(bench.flow_meter.k_factor_per_m3.value, 1e7);
    close(bench.body_temperature.volt_per_ohm, 2e-3);
    close(bench.atmosphere_pa, 101_325.0);
}

const PAGE: &str = include_str!("../../../docs/sheets-and-procedures.md");

/// The examples on the authors' page read without a fault, and go together.
#[test]
fn examples_of_the_page_read() {
    let examples: Vec<&str> =
        PAGE.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap()).collect();
    let [pump, bench, procedure] = examples[..] else { panic!("{} examples", examples.len()) };
    let pump = read::pump_sheet("page", pump).unwrap_or_else(|wrong| panic!("{wrong}"));
    let bench = read::bench_sheet("page", bench).unwrap_or_else(|wrong| panic!("{wrong}"));
    let procedure = read::procedure("page", procedure).unwrap_or_else(|wrong| panic!("{wrong}"));
    assert_eq!(read::check_together(&pump, &bench, &procedure), Vec::<String>::new());
}

/// Every key that a shipped file uses is explained on the page, and so is every unit.
#[test]
fn the_page_explains_every_key_and_unit() {
    fn keys(value: &toml::Value, found: &mut Vec<String>) {
        match value {
            toml::Value::Table(table) => {
                for (key, value) in table {
                    found.push(key.clone());
                    keys(value, found);
                }
            }
            toml::Value::Array(list) => list.iter().for_each(|value| keys(value, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    for (_, text) in ["pumps", "benches", "procedures"].into_iter().flat_map(library) {
        keys(&toml::Value::Table(text.parse().unwrap()), &mut found);
    }
    for key in found {
        let explained = [format!("`{key}`"), format!("[{key}]"), format!("{key} =")];
        assert!(explained.iter().any(|form| PAGE.contains(form)), "{key}");
    }
    for unit in Dimension::ALL.into_iter().flat_map(Dimension::unit_names) {
        assert!(PAGE.contains(&format!("`{unit}`")), "{unit}");
    }
}
