//! Dialogs over the screen: questions, cautions, help. Text that does not fit scrolls; the keys stay.

use super::super::app::App;
use super::super::keys;
use super::{centred, scroll};
use crate::render;
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::text::Line;
use ratatui::widgets::{Block, Clear, Paragraph};
use stepwell_procedure::run::Prompt;

/// Widest dialog.
const WIDTH: u16 = 80;

/// Rows and columns of a frame.
const FRAME: u16 = 2;

/// A dialog for an area: broken into lines, not yet drawn.
struct Dialog {
    title: String,
    text: Vec<String>,
    keys: Vec<String>,
}

/// Draws the dialog that is due, if any.
pub(super) fn draw(app: &App, area: Rect, frame: &mut Frame<'_>) {
    let Some(dialog) = due(app, area) else { return };
    let height = dialog.text.len() + dialog.keys.len();
    let place = centred(area, WIDTH, u16::try_from(height).unwrap_or(u16::MAX).saturating_add(FRAME));
    let block = Block::bordered().title(dialog.title);
    let [text, keys] = Layout::vertical([Constraint::Min(0), Constraint::Length(dialog.keys.len() as u16)])
        .areas(block.inner(place));
    frame.render_widget(Clear, place);
    frame.render_widget(block, place);
    scroll::draw(&dialog.text, app.scroll, text, frame);
    let lines: Vec<Line<'_>> = dialog.keys.into_iter().map(Line::from).collect();
    frame.render_widget(Paragraph::new(lines), keys);
}

/// How far the dialog that is due can be scrolled.
pub(super) fn last(app: &App, area: Rect) -> Option<u16> {
    let dialog = due(app, area)?;
    let rows = area.height.saturating_sub(FRAME + dialog.keys.len() as u16);
    Some(scroll::last(dialog.text.len(), rows))
}

fn due(app: &App, area: Rect) -> Option<Dialog> {
    let width = usize::from(WIDTH.min(area.width).saturating_sub(FRAME));
    if app.help {
        return Some(help(width));
    }
    Some(prompt(app, app.prompt()?, width))
}

fn prompt(app: &App, prompt: &Prompt, width: usize) -> Dialog {
    let text = prompt
        .text
        .lines()
        .flat_map(|line| {
            let bullet = line.trim_start().starts_with('*');
            let text = render::wrapped_to(width, line, "", if bullet { "  " } else { "" });
            text.lines().map(str::to_owned).collect::<Vec<_>>()
        })
        .collect();
    let ways = if prompt.caution {
        "y = yes, all of it · n = no · Space = SOFTWARE STOP"
    } else {
        "Enter = done · n = no · Space = SOFTWARE STOP"
    };
    let mut keys = app.hint.map_or(Vec::new(), |hint| render::broken(hint, width));
    keys.extend(render::broken(ways, width));
    let caution = if prompt.caution { "CAUTION: " } else { "" };
    let run = app.kept.number.map_or(String::new(), |number| format!("run {number}: "));
    Dialog { title: format!(" {caution}{run}{} ", prompt.title), text, keys }
}

fn help(width: usize) -> Dialog {
    let mut text: Vec<String> = keys::TABLE
        .iter()
        .flat_map(|(_, _, name, meaning)| {
            let text = render::wrapped_to(width, meaning, &format!("{name:<6}"), "       ");
            text.lines().map(str::to_owned).collect::<Vec<_>>()
        })
        .collect();
    text.push(String::new());
    text.extend(render::broken(
        "Stale readings show as --. A rail that reads low is not proof: look at the mechanical gauge. Never \
         feel for leaks. Guard, relief valve and emergency stop must work without this program.",
        width,
    ));
    Dialog { title: " Help ".to_owned(), text, keys: vec!["h = back".to_owned()] }
}
