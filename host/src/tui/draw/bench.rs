//! The bench: live values, a minute of rail pressure and duties, how far the run is, what was found.

use super::super::app::App;
use super::super::trace::Trace;
use super::scroll;
use crate::render;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Style};
use ratatui::symbols::Marker;
use ratatui::text::Line;
use ratatui::widgets::{Axis, Chart, Dataset, Gauge, GraphType, Paragraph};
use stepwell_procedure::quantity::Dimension;
use stepwell_session::engine::Live;

/// Rows of readings and charts; columns of readings; columns that charts need beside them.
const UPPER: u16 = 11;
const READINGS: u16 = 33;
const CHARTS_MIN: u16 = 24;

/// Between readings and charts.
const SPACE: u16 = 2;

pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let [upper, progress, lower] = areas(area);
    let [values, _, charts] =
        Layout::horizontal([Constraint::Length(READINGS), Constraint::Length(SPACE), Constraint::Min(0)])
            .areas(upper);
    frame.render_widget(Paragraph::new(readings(&app.live(), app.pressure_valve)), values);
    if charts.width >= CHARTS_MIN {
        let [rail, duty] = Layout::vertical([Constraint::Fill(3), Constraint::Fill(2)]).areas(charts);
        draw_rail(app, rail, frame);
        draw_duties(app, duty, frame);
    }
    draw_progress(app, progress, frame);
    scroll::draw(&found(app, lower.width.into()), app.scroll, lower, frame);
}

/// How far the findings can be scrolled.
pub(super) fn last(app: &App, area: Rect) -> u16 {
    let [_, _, lower] = areas(area);
    scroll::last(found(app, lower.width.into()).len(), lower.height)
}

/// Readings and charts, progress, findings.
fn areas(area: Rect) -> [Rect; 3] {
    let upper = UPPER.min(area.height.saturating_sub(2));
    Layout::vertical([Constraint::Length(upper), Constraint::Length(2), Constraint::Min(0)]).areas(area)
}

fn readings(live: &Live, pressure_valve: bool) -> Vec<Line<'static>> {
    let row = |name: &str, value: String| Line::from(format!("{name:<15} {value:>17}"));
    let shown = |dimension: Dimension, value: Option<f64>, digits: usize| {
        value.map_or("--".to_owned(), |value| fixed(dimension, value, digits))
    };
    let coil = |index: usize| {
        let duty = shown(Dimension::Fraction, live.duty[index], 1);
        let current = live.current_a[index].map_or("--".to_owned(), |ampere| steady(ampere, 2, "A"));
        format!("{duty} {current:>8}")
    };
    let mut rows = vec![
        row("Rail pressure", shown(Dimension::Pressure, live.rail_pa, 2)),
        row("Feed pressure", live.feed_pa.map_or("--".to_owned(), |pa| steady(pa / 1e5, 2, "bar"))),
        row("Return flow", shown(Dimension::Flow, live.flow_m3_per_s, 2)),
        row("Shaft", live.speed_rev_per_s.map_or("--".to_owned(), |n| format!("{:.0} rpm", n * 60.0))),
        row("Inlet valve", coil(0)),
        row("Supply", live.supply_v.map_or("--".to_owned(), |volts| format!("{volts:.1} V"))),
        row("Fluid", live.fluid_celsius.map_or("--".to_owned(), |t| format!("{t:.1} °C"))),
        row("Pump body", live.body_celsius.map_or("--".to_owned(), |t| format!("{t:.1} °C"))),
    ];
    if pressure_valve {
        rows.insert(5, row("Pressure valve", coil(1)));
    }
    rows
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
    let axis = Axis::default().bounds([0.0, top]).labels(["0".to_owned(), format!("{top:.0}")]);
    captioned("rail, MPa", Chart::new(vec![data]).x_axis(time_axis()).y_axis(axis), area, frame);
}

fn draw_duties(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let percent = |index: usize| app.trace.points(move |live| live.duty[index].map(|duty| duty * 100.0));
    let (inlet, pressure) = (percent(0), percent(1));
    let data = |marker, points| Dataset::default().marker(marker).data(points);
    let mut all = vec![data(Marker::Dot, &inlet[..])];
    if app.pressure_valve {
        all.push(data(Marker::Braille, &pressure[..]));
    }
    let caption =
        if app.pressure_valve { "duty, %: • inlet, ⠒ pressure valve" } else { "duty of inlet valve, %" };
    let axis = Axis::default().bounds([0.0, 60.0]).labels(["0", "60"]);
    let chart =
        Chart::new(all).legend_position(None).x_axis(time_axis().labels(["-60 s", "now"])).y_axis(axis);
    captioned(caption, chart, area, frame);
}

/// A chart under its caption.
fn captioned(caption: &str, chart: Chart<'_>, area: Rect, frame: &mut Frame<'_>) {
    let [top, rest] = Layout::vertical([Constraint::Length(1), Constraint::Min(0)]).areas(area);
    frame.render_widget(Paragraph::new(caption), top);
    frame.render_widget(chart, rest);
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

fn found(app: &App, width: usize) -> Vec<String> {
    let findings = app.view.as_ref().map(|view| view.findings.as_slice()).unwrap_or_default();
    // The latest first: it is what the operator waits for.
    let lines = findings.iter().rev().map(|finding| {
        format!("{}: {}: {}", finding.verdict.words().to_uppercase(), finding.label, render::value(finding))
    });
    let failed = app
        .kept
        .failed
        .iter()
        .map(|why| format!("The run cannot be written down and is being stopped: {why}"));
    failed.chain(app.note.clone()).chain(lines).flat_map(|line| render::broken(&line, width)).collect()
}
