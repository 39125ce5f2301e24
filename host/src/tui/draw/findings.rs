//! The findings of a run that is over.

use super::super::app::App;
use crate::render;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::{Paragraph, Wrap};

pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let mut text = String::new();
    if let Some(view) = &app.view {
        if let Some(outcome) = &view.outcome {
            text.push_str(&render::outcome(outcome, app.simulated));
        } else if let Some(lost) = &view.lost {
            text.push_str(lost);
            text.push('\n');
        }
        if let Some(note) = &app.note {
            text.push_str(note);
            text.push('\n');
        }
        text.push('\n');
        text.push_str(&render::findings(&view.findings));
    }
    let lines: Vec<Line<'_>> = text.lines().map(Line::from).collect();
    let last = (lines.len() as u16).saturating_sub(1);
    let shown = Paragraph::new(lines).wrap(Wrap { trim: false }).scroll((app.scroll.min(last), 0));
    frame.render_widget(shown, area);
}
