//! The procedure: its parts, its kinds of step, and what contradicts what.

use super::table::{Allowed, Found, Table};
use crate::procedure::{Procedure, StepKind, StepSpec};
use crate::quantity::Dimension;
use crate::sheet::Written;

/// Drive on at most this long at once. Common practice, no source.
const PURGE_ON_S_MAX: f64 = 10.0;

/// A purge cycle must leave time for spinning up, for flow, and for the build-up that shows the air.
const PURGE_ON_S_MIN: f64 = 3.0;

/// Fewest purge cycles. Common practice, no source.
const PURGE_CYCLES_MIN: u32 = 2;

/// No single stretch of a step is longer than a minute, and a watch than ten.
const STRETCH_S_MAX: f64 = 60.0;
const WATCH_S_MAX: f64 = 600.0;

/// The kinds of step by the words that files use.
const KINDS: [(&str, Kind); 10] = [
    ("confirm", Kind::Confirm),
    ("electrical", Kind::Electrical),
    ("prime", Kind::Prime),
    ("valve-check", Kind::ValveCheck),
    ("purge", Kind::Purge),
    ("duty-step", Kind::DutyStep),
    ("flow", Kind::Flow),
    ("sweep", Kind::Sweep),
    ("leak-down", Kind::LeakDown),
    ("vent", Kind::Vent),
];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Confirm,
    Electrical,
    Prime,
    ValveCheck,
    Purge,
    DutyStep,
    Flow,
    Sweep,
    LeakDown,
    Vent,
}

impl Kind {
    /// Whether it energises nothing.
    const fn is_quiet(self) -> bool {
        matches!(self, Kind::Confirm | Kind::Vent)
    }

    /// Whether it can put the rail under pressure.
    const fn pressurises(self) -> bool {
        !self.is_quiet() && !matches!(self, Kind::Electrical)
    }
}

pub(super) fn read(top: &Table<'_>, source: Written) -> Option<Procedure> {
    let name = top.short_name("name");
    let title = top.text("title");
    let mut names: Vec<Found<String>> = Vec::new();
    let set_up = steps(top, "set_up", &mut names);
    let main = steps(top, "main", &mut names);
    let tear_down = steps(top, "tear_down", &mut names);
    if !top.has("main") && !top.has_slip_for("main") {
        top.fault(0..0, "the procedure has no [[main]] step: it does nothing", "add [[main]] and a step");
    }
    for part in [&set_up, &tear_down] {
        for step in part {
            quiet(top, step);
        }
    }
    let pressurises =
        main.iter().find(|step| step.kind.as_ref().is_some_and(|kind| kind.value.pressurises()));
    let vents = tear_down.iter().any(|step| step.kind.as_ref().is_none_or(|kind| kind.value == Kind::Vent));
    if let Some(ReadStep { kind: Some(kind), .. }) = pressurises
        && !vents
        && !top.has_slip_for("tear_down")
    {
        top.fault(
            kind.span.clone(),
            "this step can put the rail under pressure, but the tear-down has no vent",
            "add [[tear_down]] with step = \"vent\", name = \"vent\", title = \"…\", watch = \"5 s\"",
        );
    }
    let specs = |part: Vec<ReadStep>| part.into_iter().map(|step| step.spec).collect::<Option<Vec<_>>>();
    Some(Procedure {
        source,
        name: name?.value,
        title: title?.value,
        set_up: specs(set_up)?,
        main: specs(main)?,
        tear_down: specs(tear_down)?,
    })
}

/// Before the main part and after it nothing is energised.
fn quiet(top: &Table<'_>, step: &ReadStep) {
    if let Some(kind) = &step.kind
        && !kind.value.is_quiet()
    {
        top.fault(
            kind.span.clone(),
            "this kind of step energises the bench, which only [[main]] may",
            "move it to [[main]]; set-up and tear-down are made of confirm and vent",
        );
    }
}

#[derive(Debug)]
struct ReadStep {
    kind: Option<Found<Kind>>,
    spec: Option<StepSpec>,
}

fn steps(top: &Table<'_>, part: &'static str, names: &mut Vec<Found<String>>) -> Vec<ReadStep> {
    top.tables(part, |table| step(table, names))
}

fn step(table: &Table<'_>, names: &mut Vec<Found<String>>) -> ReadStep {
    let kind = table.word("step", &KINDS);
    let name = table.short_name("name");
    let title = table.text("title");
    let gate = table.flag("must_pass");
    if let Some(name) = &name {
        match names.iter().find(|earlier| earlier.value == name.value) {
            Some(earlier) => table.fault(
                name.span.clone(),
                format!(
                    "a step named {:?} is there already, in line {}",
                    name.value,
                    table.line(&earlier.span)
                ),
                "give each step a name of its own; findings are kept by it",
            ),
            None => names.push(name.clone()),
        }
    }
    let Some(found) = kind else {
        // Which keys belong here depends on the kind.
        table.let_pass();
        return ReadStep { kind: None, spec: None };
    };
    let what = contents(table, found.value);
    let spec = (|| Some(StepSpec { name: name?.value, title: title?.value, kind: what?, gate: gate? }))();
    ReadStep { kind: Some(found), spec }
}

fn contents(table: &Table<'_>, kind: Kind) -> Option<StepKind> {
    let seconds = |key, least, most| {
        table.quantity(key, Dimension::Time, Allowed::Between(least, most)).map(|found| found.value)
    };
    // All keys of a kind are asked for before any is missed, so that all faults are found.
    Some(match kind {
        Kind::Confirm => StepKind::Confirm { text: table.text("text")?.value },
        // Long enough for the current to settle, short enough not to warm the coil.
        Kind::Electrical => StepKind::Electrical { dwell_s: seconds("dwell", 0.2, 5.0)? },
        Kind::Prime => {
            let pulses = table.count("pulses", 1, 20);
            let (on, off) = (seconds("on", 0.5, STRETCH_S_MAX), seconds("off", 0.0, WATCH_S_MAX));
            StepKind::Prime { pulses: pulses?.value, on_s: on?, off_s: off? }
        }
        Kind::ValveCheck => StepKind::ValveCheck { dwell_s: seconds("dwell", 1.0, STRETCH_S_MAX)? },
        Kind::Purge => purge(table)?,
        Kind::DutyStep => {
            // The base line before the step is a second long.
            let (settle, hold) = (seconds("settle", 1.5, STRETCH_S_MAX), seconds("hold", 0.5, STRETCH_S_MAX));
            StepKind::DutyStep { settle_s: settle?, hold_s: hold? }
        }
        Kind::Flow => {
            let (settle, gate) =
                (seconds("settle", 0.5, STRETCH_S_MAX), seconds("measure", 1.0, STRETCH_S_MAX));
            StepKind::Flow { settle_s: settle?, gate_s: gate? }
        }
        Kind::Sweep => {
            let points = table.count("points", 3, 50);
            let dwell = seconds("dwell", 0.2, STRETCH_S_MAX);
            StepKind::Sweep { points: points?.value, dwell_s: dwell? }
        }
        // The first second and a half is for the shaft to stop and the fluid to settle.
        Kind::LeakDown => StepKind::LeakDown { watch_s: seconds("watch", 5.0, STRETCH_S_MAX)? },
        Kind::Vent => StepKind::Vent { watch_s: seconds("watch", 1.0, WATCH_S_MAX)? },
    })
}

fn purge(table: &Table<'_>) -> Option<StepKind> {
    let on = table.quantity("on", Dimension::Time, Allowed::AboveZero);
    let rest = table.quantity("rest", Dimension::Time, Allowed::Between(1.0, WATCH_S_MAX));
    let min = table.count("cycles_min", 1, 100);
    let max = table.count("cycles_max", 1, 100);
    if let Some(on) = &on {
        let show = |seconds| Dimension::Time.display(seconds);
        if on.value > PURGE_ON_S_MAX {
            table.fault(
                on.span.clone(),
                format!(
                    "{} of drive at once is beyond common practice ({} at most)",
                    show(on.value),
                    show(PURGE_ON_S_MAX)
                ),
                "take more cycles instead of longer ones",
            );
        } else if on.value < PURGE_ON_S_MIN {
            table.fault(
                on.span.clone(),
                format!(
                    "{} is too short for a cycle: spinning up and building up alone take {}",
                    show(on.value),
                    show(PURGE_ON_S_MIN)
                ),
                "write on = \"10 s\"",
            );
        }
    }
    if let Some(min) = &min
        && min.value < PURGE_CYCLES_MIN
    {
        table.fault(
            min.span.clone(),
            format!("cycles_min is {}: at least {PURGE_CYCLES_MIN} cycles are common practice", min.value),
            format!("write cycles_min = {PURGE_CYCLES_MIN}"),
        );
    }
    let (min, max) = (min?, max?);
    if min.value > max.value {
        table.fault(
            min.span,
            format!("cycles_min ({}) is above cycles_max ({})", min.value, max.value),
            "swap them?",
        );
    }
    Some(StepKind::Purge {
        on_s: on?.value,
        rest_s: rest?.value,
        cycles_min: min.value,
        cycles_max: max.value,
    })
}
