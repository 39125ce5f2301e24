//! Lines in a box that may be too low for them: a part, and how many more there are.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

/// How far `lines` can be scrolled in so many rows. The last row says what is out of sight.
pub(super) fn last(lines: usize, rows: u16) -> u16 {
    let lines = u16::try_from(lines).unwrap_or(u16::MAX);
    if lines <= rows { 0 } else { lines - rows.saturating_sub(1) }
}

pub(super) fn draw(lines: &[String], scrolled: u16, area: Rect, frame: &mut Frame<'_>) {
    frame.render_widget(Paragraph::new(part(lines, scrolled, area.height)), area);
}

fn part(lines: &[String], scrolled: u16, rows: u16) -> Vec<Line<'static>> {
    let last = last(lines.len(), rows);
    let above = usize::from(scrolled.min(last));
    if last == 0 || rows == 0 {
        return lines.iter().take(rows.into()).map(|line| Line::from(line.clone())).collect();
    }
    let shown: Vec<&String> = lines.iter().skip(above).take(usize::from(rows) - 1).collect();
    let below = lines.len() - above - shown.len();
    let mark = match (above, below) {
        (0, below) => format!("{below} more below, ↓"),
        (above, 0) => format!("{above} more above, ↑"),
        (above, below) => format!("{below} more below, ↓ · {above} above, ↑"),
    };
    shown.into_iter().cloned().chain(std::iter::once(mark)).map(Line::from).collect()
}

#[cfg(test)]
mod tests {
    use super::{last, part};

    #[test]
    fn every_line_comes_into_sight_and_what_is_out_of_it_is_counted() {
        let lines: Vec<String> = (0..10).map(|n| format!("line {n}")).collect();
        let shown = |scrolled| part(&lines, scrolled, 4).iter().map(ToString::to_string).collect::<Vec<_>>();
        assert_eq!(last(10, 10), 0);
        assert_eq!(last(10, 4), 7);
        assert_eq!(shown(0), ["line 0", "line 1", "line 2", "7 more below, ↓"]);
        assert_eq!(shown(2)[3], "5 more below, ↓ · 2 above, ↑");
        assert_eq!(shown(7), ["line 7", "line 8", "line 9", "7 more above, ↑"]);
        assert_eq!(shown(99), shown(7));
    }
}
