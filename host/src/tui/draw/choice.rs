//! The choice of procedure and pump.

use super::super::app::App;
use crate::render;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let width = usize::from(area.width).min(render::WIDTH);
    let mut lines = whole_lists(app);
    lines.extend(words(app, width));
    if lines.len() > area.height.into() {
        lines = short_lists(app);
        lines.extend(words(app, width));
    }
    let lines: Vec<Line<'_>> = lines.into_iter().map(Line::from).collect();
    frame.render_widget(Paragraph::new(lines), area);
}

fn whole_lists(app: &App) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut list = |title: &str, names: &[String], chosen: usize| {
        lines.push(title.to_owned());
        for (index, name) in names.iter().enumerate() {
            let mark = if index == chosen { ">" } else { " " };
            lines.push(format!("  {mark} {name}"));
        }
        lines.push(String::new());
    };
    list("Procedure (Up/Down)", &app.procedures, app.procedure);
    list("Pump sheet (Tab)", &app.pumps, app.pump);
    lines
}

/// For few rows: what is chosen, and of how many.
fn short_lists(app: &App) -> Vec<String> {
    let list = |title: &str, names: &[String], chosen: usize| {
        format!("{title}: > {} ({} of {})", names[chosen], chosen + 1, names.len())
    };
    vec![
        list("Procedure (Up/Down)", &app.procedures, app.procedure),
        list("Pump sheet (Tab)", &app.pumps, app.pump),
    ]
}

/// What the operator must know before a start; what went wrong with the last one comes first.
fn words(app: &App, width: usize) -> Vec<String> {
    let note = app.note.iter().flat_map(|note| note.lines());
    let bench = if app.simulated {
        "Bench: built-in, a model of a rig. Nothing real moves."
    } else {
        "Bench: a real board. Check guard, relief valve and emergency stop first."
    };
    note.chain([bench, "Local codes, the maker's data and licensed practice come first."])
        .flat_map(|line| render::broken(line, width))
        .collect()
}
