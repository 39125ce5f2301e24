//! The choice of procedure and pump.

use super::super::app::App;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::{Paragraph, Wrap};

pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let mut lines = vec![Line::from("")];
    let mut list = |title: &str, names: &[String], chosen: usize| {
        lines.push(Line::from(title.to_owned()));
        for (index, name) in names.iter().enumerate() {
            let mark = if index == chosen { ">" } else { " " };
            lines.push(Line::from(format!("  {mark} {name}")));
        }
        lines.push(Line::from(""));
    };
    list("Procedure (Up/Down)", &app.procedures, app.procedure);
    list("Pump sheet (Tab)", &app.pumps, app.pump);
    let bench = if app.simulated {
        "Bench: built-in, a model of a rig. Nothing real moves."
    } else {
        "Bench: a real board. Check guard, relief valve and emergency stop first."
    };
    lines.push(Line::from(bench));
    lines.push(Line::from("Local codes, the maker's data and licensed practice come first."));
    if let Some(note) = &app.note {
        lines.push(Line::from(""));
        lines.extend(note.lines().map(|line| Line::from(line.to_owned())));
    }
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }), area);
}
