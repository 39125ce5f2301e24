//! What only shows when pump, rig and procedure meet, and what a file says it is.

use stepwell_procedure::read::{self, Kind};

const HERON: &str = include_str!("../../library/pumps/heron.toml");
const PLOVER: &str = include_str!("../../library/pumps/plover.toml");
const DEMO: &str = include_str!("../../library/benches/demo.toml");
const ACCEPTANCE: &str = include_str!("../../library/procedures/acceptance.toml");

/// The text with one place changed, which must be there.
fn changed(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1)
}

fn together(pump: &str, bench: &str, procedure: &str) -> Vec<String> {
    let pump = read::pump_sheet("pump.toml", pump).unwrap_or_else(|wrong| panic!("{wrong}"));
    let bench = read::bench_sheet("bench.toml", bench).unwrap_or_else(|wrong| panic!("{wrong}"));
    let procedure = read::procedure("work.toml", procedure).unwrap_or_else(|wrong| panic!("{wrong}"));
    read::check_together(&pump, &bench, &procedure)
}

#[test]
fn a_pump_that_is_too_much_for_the_rig() {
    let fast = changed(HERON, "speed = \"250 rpm\"", "speed = \"700 rpm\"");
    assert_eq!(
        together(&fast, DEMO, ACCEPTANCE),
        ["pump.toml:43:9: speed of [test] (700 rpm) is above speed_max of [drive] of bench.toml (600 rpm); \
          test this pump slower, or on another rig"]
    );
    let high = changed(HERON, "rail = \"60 MPa\"", "rail = \"250 MPa\"");
    assert_eq!(
        together(&high, DEMO, ACCEPTANCE),
        ["pump.toml:40:8: rail of [guard] (250 MPa) is above rail of [limits] of bench.toml (150 MPa); \
          the rig must not see more; lower the guard"]
    );
    let unrated = changed(DEMO, "rail = \"150 MPa\"", "");
    assert_eq!(
        together(&high, &unrated, ACCEPTANCE),
        [
            "pump.toml:40:8: rail of [guard] (250 MPa) is above full_scale of [rail_pressure] of bench.toml (200 MPa); \
          what the sensor cannot show cannot be guarded; lower the guard"
        ]
    );
    // 15 V over 3 ohm at 60 % is 3 A on the inlet valve; the pressure valve stays at 2 A.
    let weak = changed(DEMO, "current_max = \"4.5 A\"", "current_max = \"2.5 A\"");
    assert_eq!(
        together(HERON, &weak, ACCEPTANCE),
        [
            "pump.toml:24:12: current of [inlet_valve] at duty_max and the highest supply voltage (3 A) is above \
          current_max of [limits] of bench.toml (2.5 A); a healthy coil would trip; lower duty_max, or raise \
          current_max if the driver stage allows it"
        ]
    );
    let long = changed(DEMO, "leads = { value = \"0.15 ohm\"", "leads = { value = \"1.5 ohm\"");
    let found = together(HERON, &long, ACCEPTANCE);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(
        found[0].contains(
            "leads and switch_on of [coil_circuit] (1.53 Ω) are more than a third of resistance_20c"
        ) && found[0].starts_with("bench.toml:"),
        "{found:?}"
    );
    let low = changed(HERON, "build_up_to = \"5 MPa\"", "build_up_to = \"4 bar\"");
    assert_eq!(
        together(&low, DEMO, ACCEPTANCE),
        ["pump.toml:47:15: build_up_to of [test] (4 bar) is not above low of [rail] of bench.toml (5 bar); \
          raise build_up_to"]
    );
}

#[test]
fn a_drive_that_cannot_turn_for_so_long() {
    let short = changed(DEMO, "on_max = \"30 s\"", "on_max = \"9 s\"");
    let names: Vec<String> = together(HERON, &short, ACCEPTANCE)
        .iter()
        .map(|line| line.split('"').nth(1).unwrap().to_owned())
        .collect();
    // Purge 10 s, flow 2 + 10 s, sweep 1 + 17 s; the small step of 7 s and leak-down of 6 s fit.
    assert_eq!(names, ["purge", "delivery", "curve"]);
    // A transfer pump primes by turning, an electric supply does not.
    let said = together(PLOVER, &short, ACCEPTANCE);
    assert!(
        said[0]
            .starts_with("work.toml: step \"prime\" turns the drive for 10 s without a break, but on_max of"),
        "{said:?}"
    );
}

#[test]
fn what_nobody_knows_is_readable_and_cannot_be_armed() {
    let unknown = changed(HERON, "rail_on_loss = \"falls\"", "rail_on_loss = \"unknown\"");
    let sheet = read::pump_sheet("pump.toml", &unknown).unwrap();
    let remarks = read::remarks(&sheet);
    assert_eq!(remarks.len(), 1);
    assert!(remarks[0].contains("rail_on_loss of [pressure_valve]"), "{remarks:?}");
    assert!(remarks[0].contains("cannot be armed"), "{remarks:?}");
    assert_eq!(together(&unknown, DEMO, ACCEPTANCE), remarks);
}

#[test]
fn files_say_what_they_are() {
    for (text, kind) in [(HERON, Kind::PumpSheet), (DEMO, Kind::BenchSheet), (ACCEPTANCE, Kind::Procedure)] {
        assert_eq!(read::kind_of("x.toml", text), Ok(kind));
    }
    let wrong = read::kind_of("x.toml", "format = 1\n").unwrap_err();
    assert!(wrong.to_string().starts_with("x.toml:1:1: the file does not say what it is"), "{wrong}");
}

/// Two lines that are no TOML are two faults; what follows from the first in a line is not told.
#[test]
fn each_broken_line_is_told_once() {
    let text = changed(HERON, "speed = \"250 rpm\"", "speed = 250 rpm");
    let text = changed(&text, "rail = \"60 MPa\"", "rail = 60 MPa");
    let wrong = read::pump_sheet("x.toml", &text).unwrap_err();
    let helps: Vec<&str> = wrong.faults.iter().filter_map(|fault| fault.help.as_deref()).collect();
    assert_eq!(helps, ["write rail = \"60 MPa\"", "write speed = \"250 rpm\""], "{wrong}");
}

/// Windows line ends and a byte order mark change neither meaning nor places.
#[test]
fn files_from_elsewhere() {
    let text = changed(HERON, "rail = \"60 MPa\"", "rail = 60").replace('\n', "\r\n");
    let place = |text: &str| {
        let wrong = read::pump_sheet("x.toml", text).unwrap_err();
        (wrong.faults[0].line, wrong.faults[0].column)
    };
    assert_eq!(place(&text), place(&text.replace("\r\n", "\n")));
    let marked = format!("\u{feff}{HERON}");
    assert!(read::pump_sheet("x.toml", &marked).is_ok());
}
