//! Probable causes of a finding that is out, with what to check next, likeliest first.
//!
//! All of it is common practice, no source, unless said otherwise: the shape of each fault was
//! tried on the model of the rig (`hardware/plant`). Causes are advice: they never change a verdict.

/// Which way a finding is out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Below its tolerance.
    TooLow,
    /// Above its tolerance.
    TooHigh,
    /// There is no value.
    Absent,
}

/// What to check next for the finding `id` that is out on `side`.
#[must_use]
pub fn check_next(id: &str, side: Side) -> Vec<String> {
    let advice: &[&str] = match (id, side) {
        ("inlet_coil_resistance_20c" | "pressure_coil_resistance_20c", Side::TooLow) => &[
            "shorted turns: measure the coil alone with a milliohm meter, connector off",
            "wrong pump sheet: compare the part number with the sheet",
        ],
        ("inlet_coil_resistance_20c" | "pressure_coil_resistance_20c", Side::TooHigh) => &[
            "connector or harness: clean and tighten the contacts, measure again at the coil's own pins",
            "coil not at body temperature: let the pump stand and measure again",
            "wrong pump sheet: compare the part number with the sheet",
        ],
        ("inlet_coil_resistance_20c" | "pressure_coil_resistance_20c", Side::Absent) => &[
            "plug not fitted or coil open: check the connector, then the coil with an ohmmeter",
            "current measurement of the rig: check its supply and its zero",
        ],
        ("inlet_coil_inductance" | "pressure_coil_inductance", Side::TooLow) => &[
            "shorted turns: measure the coil alone with an inductance meter, connector off",
            "wrong pump sheet: compare the part number with the sheet",
        ],
        ("inlet_coil_inductance" | "pressure_coil_inductance", Side::TooHigh) => &[
            "armature not where it should be: dirt or wear in the guide; try the valve by hand",
            "wrong pump sheet: compare the part number with the sheet",
        ],
        ("inlet_coil_inductance" | "pressure_coil_inductance", Side::Absent) => {
            &["burst of the coil's current: look at its trace, and at the coil's connector"]
        }
        ("feed_pressure", Side::TooLow | Side::Absent) => &[
            "blocked filter or kinked feed hose: change the filter, look along the hose",
            "tank low or shut, or suction side drawing air: check level, valve and clamps",
            "feed pump weak or its supply low: measure voltage at the pump while it runs",
        ],
        ("feed_pressure", Side::TooHigh) => &["regulator of the supply stuck shut: check its return line"],
        ("still_flow", Side::TooHigh) => &[
            "air in the feed: gas counts as volume. Tighten the suction side's clamps, look for bubbles in the return",
            "flow meter counts on its own: look at the count with everything at rest",
        ],
        ("still_flow", _) => &[
            "pressure valve stuck shut or its spring weak: take it out, look at the seat, try it by hand",
            "blocked filter: compare the feed pressure before and behind it",
            "a pump of a kind that passes nothing while still: then leave this step out of the procedure",
        ],
        ("pressure_output_stops", _) => &[
            "connectors swapped: follow each cable from output to valve",
            "pressure valve stuck open, or dirt on its seat: take it out and look",
            "flow meter counts on its own: look at the count with everything at rest",
        ],
        ("inlet_output_stops", _) => &["connectors swapped: follow each cable from output to valve"],
        ("air_in_rail", Side::TooHigh) => &[
            "suction side drawing air: tighten clamps, look for bubbles in a clear piece of hose",
            "more cycles needed: run fill-and-purge again",
            "air trapped in a dead end of the rig: loosen its highest fitting at rest, carefully",
        ],
        ("air_in_rail", _) => &[
            "coupling broken or loose: look whether the pump turns with the drive",
            "pressure does not build up: check the dump, the union, the pressure valve and its connector",
            "no fuel at the pump: prime again and watch the feed pressure",
            "pump delivers too little: worn or dead plunger, leaking delivery valve",
        ],
        ("pressure_rise", Side::TooLow | Side::Absent) => &[
            "sticking pressure valve: compare the hysteresis; clean or replace the valve",
            "connector resistance or low supply: compare coil resistance and supply voltage",
            "leaking seat or worn pump: compare leak-down and volumetric efficiency",
            "rail sensor reads low: compare it with the mechanical gauge under pressure",
        ],
        ("pressure_rise", Side::TooHigh) => &[
            "weak opening spring of the pressure valve",
            "return line pinched: look along it",
            "rail sensor reads high: compare it with the mechanical gauge under pressure",
        ],
        ("dead_time" | "rise_time_10_90", Side::TooHigh) => &[
            "air in the rail: compare the air finding, purge again",
            "worn pump or weak drive: compare flow, and the speed during the step",
            "sticking pressure valve: compare the hysteresis",
        ],
        ("dead_time" | "rise_time_10_90", _) => {
            &["the step was not seen clearly: run again, and look at the trace of the rail pressure"]
        }
        ("overshoot", _) => &["sticking pressure valve: compare the hysteresis"],
        ("flow" | "volumetric_efficiency", Side::TooLow) => &[
            "worn pump: a loss that grows with pressure; compare ripple and leak-down",
            "inlet valve not fully open, or its duty not what the sheet says",
            "blocked filter or air in the feed: compare feed pressure and air findings",
        ],
        ("flow" | "volumetric_efficiency", Side::TooHigh) => &[
            "flow meter or its K-factor: compare with a gated volume",
            "air in the return: purge again",
            "wrong displacement in the pump sheet",
        ],
        ("flow" | "volumetric_efficiency", Side::Absent) => &[
            "flow meter: look at its count while fuel returns visibly",
            "no delivery: prime and purge again",
        ],
        ("hysteresis", Side::TooHigh) => &[
            "sticking pressure valve: dirt or wear in the guide; clean or replace it",
            "PWM frequency other than the sheet's: friction shows when the ripple no longer shakes it out",
        ],
        ("leak_time_constant", Side::TooLow | Side::Absent) => &[
            "leaking seat of the pressure valve, or dirt on it",
            "delivery valves or plungers of the pump worn: compare volumetric efficiency",
            "dump or fittings of the rig: shut the pump off from the rail and repeat. Never feel for leaks",
        ],
        ("shaft_speed", Side::Absent) => &[
            "drive does not start: its contactor, its supply, its own switch",
            "speed sensor: look at its gap, plug and count",
            "coupling broken: at rest, power off, turn the shaft by hand at both ends",
        ],
        ("shaft_speed", Side::TooLow) => &[
            "drive weak or its supply low: measure voltage at the drive while it turns",
            "coupling loose or broken: at rest, power off, turn the shaft by hand at both ends",
            "pump seized or stiff: at rest, power off, turn it by hand",
            "speed sensor: look at its gap, plug and count",
        ],
        ("shaft_speed", Side::TooHigh) => {
            &["set-point or speed sensor of the drive: compare with a tachometer"]
        }
        ("rail_pressure_dumped", Side::TooHigh) => &[
            "dump stuck shut, or its coil, cable or output: do not run this rig until it opens by itself",
            "return line of the dump blocked: look along it",
        ],
        ("rail_pressure_vented", _) => &[
            "pressure trapped: do not open anything; the dump may be stuck shut, the gauge line blocked",
            "zero of the rail sensor has moved: compare with the mechanical gauge",
        ],
        _ => &[],
    };
    advice.iter().map(|&line| line.to_owned()).collect()
}

/// What to do about a coil through which far too much current flows.
#[must_use]
pub fn shorted_coil() -> Vec<String> {
    vec![
        "short in coil, plug or cable: power off first, plug off, then measure the coil alone with an ohmmeter"
            .to_owned(),
        "cable chafed through between driver and plug: look along it, measure it with the plug off".to_owned(),
    ]
}

/// What to do when the outputs and the valves are crossed.
#[must_use]
pub fn swapped() -> Vec<String> {
    vec![
        "connectors swapped: at rest, plug each cable onto its own valve, then run from the start".to_owned(),
    ]
}
