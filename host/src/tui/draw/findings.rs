//! The findings of a run that is over.

use super::super::app::App;
use super::scroll;
use crate::render;
use ratatui::Frame;
use ratatui::layout::Rect;

pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    scroll::draw(&lines(app, area.width.into()), app.scroll, area, frame);
}

/// How far they can be scrolled.
pub(super) fn last(app: &App, area: Rect) -> u16 {
    scroll::last(lines(app, area.width.into()).len(), area.height)
}

fn lines(app: &App, width: usize) -> Vec<String> {
    let width = width.min(render::WIDTH);
    let mut text = String::new();
    let mut say = |words: &str| text.push_str(&render::wrapped_to(width, words, "", ""));
    if let Some(line) = app.kept.line() {
        say(&line);
    }
    if let Some(note) = &app.note {
        say(note);
    }
    if let Some(view) = &app.view {
        match (&view.outcome, &view.lost) {
            (Some(outcome), lost) => {
                if let Some(lost) = lost {
                    say(&format!("LINK LOST: {lost}"));
                }
                let ended = app.kept.ended(outcome);
                text.push_str(&render::outcome(&ended, app.kept.verdict(outcome), app.simulated, width));
            }
            (None, Some(lost)) => say(&format!("LINK LOST: {lost}")),
            (None, None) => {}
        }
        text.push_str(&render::count(&view.findings));
        text.push_str("\n\n");
        text.push_str(&render::findings(&view.findings, width));
    }
    text.lines().map(str::to_owned).collect()
}
