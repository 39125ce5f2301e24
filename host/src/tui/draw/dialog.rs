//! Dialogs over the screen: questions, cautions, help.

use super::super::keys;
use super::centred;
use crate::render;
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::{Block, Clear, Paragraph, Wrap};
use stepwell_procedure::run::Prompt;

/// Widest dialog.
const WIDTH: u16 = 80;

pub(super) fn prompt(prompt: &Prompt, frame: &mut Frame<'_>, area: Rect) {
    let mut text: String = prompt
        .text
        .lines()
        .map(|line| render::wrapped(line, "", if line.trim_start().starts_with('*') { "  " } else { "" }))
        .collect();
    text.push_str("\nEnter = done    n = no    Space = SOFTWARE STOP");
    let title =
        if prompt.caution { format!(" CAUTION: {} ", prompt.title) } else { format!(" {} ", prompt.title) };
    show(&title, &text, frame, area);
}

pub(super) fn help(frame: &mut Frame<'_>, area: Rect) {
    let rows: Vec<String> =
        keys::TABLE.iter().map(|(_, _, name, meaning)| format!("{name:<6} {meaning}")).collect();
    let mut text = rows.join("\n");
    text.push_str(
        "\n\nStale readings show as --. A rail that reads low is not proof: look at the\nmechanical gauge. Never feel \
         for leaks. Guard, relief valve and emergency\nstop must work without this program.",
    );
    show(" Help ", &text, frame, area);
}

fn show(title: &str, text: &str, frame: &mut Frame<'_>, area: Rect) {
    let lines: Vec<Line<'_>> = text.lines().map(Line::from).collect();
    let place = centred(area, WIDTH, lines.len() as u16 + 2);
    frame.render_widget(Clear, place);
    let block = Block::bordered().title(title.to_owned());
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }).block(block), place);
}
