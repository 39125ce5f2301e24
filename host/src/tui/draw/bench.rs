//! The bench: live values, a minute of rail pressure and duties, how far the run is, what was found.

use super::super::app::App;
use super::super::trace::Trace;
use crate::render;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Style};
use ratatui::symbols::Marker;
use ratatui::text::Line;
use ratatui::widgets::{Axis, Chart, Dataset, Gauge, GraphType, Paragraph};
use stepwell_procedure::quantity::Dimension;
use stepwell_session::engine::Live;

pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let [upper, progress, lower] =
        Layout::vertical([Constraint::Length(11), Constraint::Length(2), Constraint::Min(0)]).areas(area);
    let [values, charts] = Layout::horizontal([Constraint::Length(34), Constraint::Min(0)]).areas(upper);
    let [rail, duty] = Layout::vertical([Constraint::Fill(3), Constraint::Fill(2)]).areas(charts);
    let live = app.view.as_ref().map(|view| view.live).unwrap_or_default();
    frame.render_widget(Paragraph::new(readings(&live)), values);
    draw_rail(app, rail, frame);
    draw_duties(app, duty, frame);
    draw_progress(app, progress, frame);
    frame.render_widget(Paragraph::new(found(app)).scroll((app.scroll, 0)), lower);
}

fn readings(live: &Live) -> Vec<Line<'static>> {
    let row = |name: &str, value: String| Line::from(format!("{name:<15} {value:>17}"));
    let shown = |dimension: Dimension, value: Option<f64>, digits: usize| {
        value.map_or("--".to_owned(), |value| fixed(dimension, value, digits))
    };
    let coil = |index: usize| {
        let duty = shown(Dimension::Fraction, live.duty[index], 1);
        let current = live.current_a[index].map_or("--".to_owned(), |ampere| steady(ampere, 2, "A"));
        format!("{duty} {current:>8}")
    };
    vec![
        row("Rail pressure", shown(Dimension::Pressure, live.rail_pa, 2)),
        row("Feed pressure", live.feed_pa.map_or("--".to_owned(), |pa| steady(pa / 1e5, 2, "bar"))),
        row("Return flow", shown(Dimension::Flow, live.flow_m3_per_s, 2)),
        row("Shaft", live.speed_rev_per_s.map_or("--".to_owned(), |n| format!("{:.0} rpm", n * 60.0))),
        row("Inlet valve", coil(0)),
        row("Pressure valve", coil(1)),
        row("Supply", live.supply_v.map_or("--".to_owned(), |volts| format!("{volts:.1} V"))),
        row("Fluid", live.fluid_celsius.map_or("--".to_owned(), |t| format!("{t:.1} °C"))),
        row("Pump body", live.body_celsius.map_or("--".to_owned(), |t| format!("{t:.1} °C"))),
    ]
}

/// A live value in one unit whatever its size, so that digits do not jump.
fn fixed(dimension: Dimension, si: f64, digits: usize) -> String {
    match dimension {
        Dimension::Pressure => steady(si / 1e6, digits, "MPa"),
        Dimension::Flow => steady(si * 1e6, digits, "cm³/s"),
        Dimension::Fraction => steady(si * 100.0, digits, "%"),
        other => other.display(si),
    }
}

/// A number with so many digits and no minus sign before a zero.
fn steady(number: f64, digits: usize, unit: &str) -> String {
    let text = format!("{number:.digits$}");
    let zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    format!("{} {unit}", if zero { text.trim_start_matches('-') } else { &text })
}

fn time_axis() -> Axis<'static> {
    Axis::default().bounds([-Trace::SPAN_S, 0.0])
}

fn draw_rail(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let points = app.trace.points(|live| live.rail_pa.map(|pa| pa / 1e6));
    let top = points.iter().fold(1.0_f64, |top, (_, mpa)| top.max(mpa * 1.1)).ceil();
    let data = Dataset::default()
        .marker(Marker::Braille)
        .graph_type(GraphType::Line)
        .style(Style::new().fg(Color::Cyan))
        .data(&points);
    let chart = Chart::new(vec![data]).x_axis(time_axis()).y_axis(
        Axis::default().title("rail, MPa").bounds([0.0, top]).labels(["0".to_owned(), format!("{top:.0}")]),
    );
    frame.render_widget(chart, area);
}

fn draw_duties(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let percent = |index: usize| app.trace.points(move |live| live.duty[index].map(|duty| duty * 100.0));
    let (inlet, pressure) = (percent(0), percent(1));
    let data = |name, marker, points| Dataset::default().name(name).marker(marker).data(points);
    let chart = Chart::new(vec![
        data("inlet", Marker::Dot, &inlet[..]),
        data("pressure", Marker::Braille, &pressure[..]),
    ])
    .legend_position(None)
    .x_axis(time_axis().labels(["-60 s", "now"]))
    .y_axis(Axis::default().title("duties, % (• inlet)").bounds([0.0, 60.0]).labels(["0", "60"]));
    frame.render_widget(chart, area);
}

fn draw_progress(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let [words, bar] = Layout::vertical([Constraint::Length(1), Constraint::Length(1)]).areas(area);
    let Some(view) = &app.view else {
        frame.render_widget(Paragraph::new("waiting for the board"), words);
        return;
    };
    let progress = &view.progress;
    let dash = if progress.activity.is_empty() { "" } else { " – " };
    let line = format!("{}/{} {}{dash}{}", progress.step, progress.steps, progress.title, progress.activity);
    frame.render_widget(Paragraph::new(line), words);
    let (elapsed_ms, planned_ms) = progress.round_ms;
    if planned_ms > 0 {
        let ratio = (f64::from(elapsed_ms) / f64::from(planned_ms)).clamp(0.0, 1.0);
        let left_s = f64::from(planned_ms.saturating_sub(elapsed_ms)) / 1000.0;
        let gauge = Gauge::default().ratio(ratio).use_unicode(true).label(format!("{left_s:.0} s left"));
        frame.render_widget(gauge.gauge_style(Style::new().fg(Color::Blue)), bar);
    }
}

fn found(app: &App) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    if let Some(note) = &app.note {
        lines.push(Line::from(note.clone()));
    }
    let findings = app.view.as_ref().map(|view| view.findings.as_slice()).unwrap_or_default();
    // The latest first: it is what the operator waits for.
    lines.extend(findings.iter().rev().map(|finding| {
        Line::from(format!(
            "{}: {}  {}",
            finding.label,
            render::value(finding),
            finding.verdict.words().to_uppercase()
        ))
    }));
    lines
}
