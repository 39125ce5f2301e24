//! Drawing: state in, cells out. One region per file; this one only chooses and places.
//!
//! Colour only repeats what words say. The stop key is drawn on every screen.

mod bench;
mod choice;
mod dialog;
mod findings;
mod scroll;

use super::app::{App, Place};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Paragraph, Wrap};
use stepwell_procedure::words;
use stepwell_protocol::state::{State, Status};

/// Columns and rows of the smallest terminal that can be worked with.
pub(super) const SMALLEST: (u16, u16) = (40, 12);

/// Draws the whole screen.
pub(super) fn screen(app: &App, frame: &mut Frame<'_>) {
    if app.too_small() {
        too_small(app, frame);
        return;
    }
    let [top, state, middle, bottom] = areas(frame.area());
    frame.render_widget(title(app), top);
    frame.render_widget(state_lines(app), state);
    match app.place {
        Place::Choosing => choice::draw(app, middle, frame),
        Place::Running => bench::draw(app, middle, frame),
        Place::Over => findings::draw(app, middle, frame),
    }
    frame.render_widget(stop_line(app), bottom);
    dialog::draw(app, middle, frame);
}

/// How far what Up and Down scroll can be scrolled.
pub(super) fn last(app: &App) -> u16 {
    let (width, height) = app.size;
    let [_, _, middle, _] = areas(Rect { x: 0, y: 0, width, height });
    dialog::last(app, middle).unwrap_or_else(|| match app.place {
        Place::Choosing => 0,
        Place::Running => bench::last(app, middle),
        Place::Over => findings::last(app, middle),
    })
}

/// Title, state of the bench, what the screen is about, keys.
fn areas(area: Rect) -> [Rect; 4] {
    Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(2),
        Constraint::Min(1),
        Constraint::Length(1),
    ])
    .areas(area)
}

fn too_small(app: &App, frame: &mut Frame<'_>) {
    // The state broken into at most four lines; words and the stop key have theirs in any case.
    let state = frame.area().height.saturating_sub(3).min(4);
    let [state, words, stop] =
        Layout::vertical([Constraint::Length(state), Constraint::Fill(1), Constraint::Length(1)])
            .areas(frame.area());
    let (columns, rows) = SMALLEST;
    let text = format!("Enlarge the window to at least {columns}x{rows}");
    frame.render_widget(state_lines(app).wrap(Wrap { trim: true }), state);
    frame.render_widget(Paragraph::new(text).wrap(Wrap { trim: true }), words);
    frame.render_widget(stop_line(app), stop);
}

fn title(app: &App) -> Paragraph<'static> {
    let simulated = if app.simulated { "SIMULATED · " } else { "" };
    let run = match (app.place, app.kept.number) {
        (Place::Running | Place::Over, Some(number)) => format!("run {number} · "),
        _ => String::new(),
    };
    Paragraph::new(format!(
        "{simulated}pump {} ({}) · {run}{} · Stepwell",
        app.pump_id, app.pumps[app.pump], app.procedures[app.procedure]
    ))
    .style(Style::new().add_modifier(Modifier::BOLD))
}

const NOT_PROVEN: &str = "PRESSURE NOT PROVEN ZERO";

fn state_lines(app: &App) -> Paragraph<'static> {
    let (state, rail) = match (app.place, &app.view) {
        (Place::Running, Some(view)) if view.lost.is_some() && app.status().is_none() => {
            ("LINK LOST · HANDS OFF".to_owned(), NOT_PROVEN)
        }
        (Place::Running, view) => {
            let status = app.status();
            let lost = view.as_ref().is_some_and(|view| view.lost.is_some());
            let back = if lost { "LINK BACK, WATCHING ONLY · " } else { "" };
            let state = status.map_or("NO READING".to_owned(), |s| words::state(s.state).to_uppercase());
            let hands = hands(status, app.prompt().is_some());
            let age = app.age_ms().map_or(String::new(), |age_ms| format!(" · heard {age_ms} ms ago"));
            (format!("{back}{state}{hands}{age}"), rail(status))
        }
        (_, Some(view)) => {
            let lost = view.lost.is_some() || view.outcome.is_none();
            let state = if lost { "LINK LOST · HANDS OFF" } else { "NOTHING ENERGISED BY THIS PROGRAM" };
            (state.to_owned(), rail(view.status.filter(|_| !lost)))
        }
        (_, None) => ("NOTHING ENERGISED BY THIS PROGRAM".to_owned(), NOT_PROVEN),
    };
    Paragraph::new(vec![Line::from(state), Line::from(rail)])
        .style(Style::new().add_modifier(Modifier::REVERSED))
}

fn rail(status: Option<Status>) -> &'static str {
    match status {
        Some(status) if status.rail_proven_low => "rail low by sensor: look at the gauge",
        _ => NOT_PROVEN,
    }
}

/// Whether hands may come near. While a question is open no dwell is sent, and a board that is armed and
/// dwells on nothing moves nothing.
fn hands(status: Option<Status>, asking: bool) -> &'static str {
    const OFF: &str = " · HANDS OFF";
    match status {
        None => OFF,
        Some(status) if status.shaft_turning => OFF,
        Some(status) => match status.state {
            State::Armed if asking => " · NOTHING MOVES UNTIL ANSWERED",
            State::Armed | State::Dwelling | State::Stopping => OFF,
            State::Rest | State::Tripped => "",
        },
    }
}

fn stop_line(app: &App) -> Paragraph<'static> {
    let rest = match app.place {
        _ if app.too_small() => "",
        Place::Choosing => " · Enter start · Up/Down · Tab · h help · q leave",
        Place::Running => " · Up/Down · h help",
        Place::Over => " · Enter go on · Up/Down · h help · q leave",
    };
    Paragraph::new(format!("Space: SOFTWARE STOP{rest}"))
}

/// The part of `area` in its middle, at most `width` × `height`.
fn centred(area: Rect, width: u16, height: u16) -> Rect {
    let (width, height) = (width.min(area.width), height.min(area.height));
    Rect { x: area.x + (area.width - width) / 2, y: area.y + (area.height - height) / 2, width, height }
}

#[cfg(test)]
mod tests {
    use super::super::app::App;
    use super::super::session::tests::view;
    use super::{Place, SMALLEST, hands};
    use crate::cli::{BenchArgs, ModelArgs};
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;
    use std::time::Duration;
    use stepwell_procedure::run::Prompt;
    use stepwell_protocol::state::{State, Status};

    fn app() -> App {
        let bench = BenchArgs {
            pump: "heron".into(),
            bench: "demo".into(),
            port: None,
            id: Some("P-1042".into()),
            model: ModelArgs { seed: 1, inject: vec![] },
        };
        App::new("acceptance", &bench)
    }

    fn drawn(app: &mut App, width: u16, height: u16) -> String {
        app.at(Duration::ZERO, (width, height));
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| super::screen(app, frame)).unwrap();
        terminal.backend().to_string()
    }

    /// An app with a question of so many lines.
    fn asking(lines: usize, caution: bool) -> App {
        let text = (0..lines).map(|n| format!("line {n}")).collect::<Vec<_>>().join("\n");
        let mut app = app();
        app.place = Place::Running;
        let mut view = view(0);
        view.prompt = Some(Prompt { number: 1, title: "Title".into(), text, caution });
        app.show(Some(view));
        app
    }

    /// The stop key stands on every screen and under every dialog, at every size down to 20 × 5.
    #[test]
    fn the_stop_key_is_always_drawn_whole() {
        for (width, height) in [(80, 24), (160, 48), (60, 16), (40, 12), (20, 5)] {
            for help in [false, true] {
                for place in [Place::Choosing, Place::Running, Place::Over] {
                    let mut app = app();
                    app.help = help;
                    app.place = place;
                    let shown = drawn(&mut app, width, height);
                    assert!(shown.contains("Space: SOFTWARE STOP"), "{place:?} {width}×{height}:\n{shown}");
                }
            }
            let shown = drawn(&mut asking(40, true), width, height);
            assert!(shown.contains("Space: SOFTWARE STOP"), "{width}×{height}:\n{shown}");
        }
    }

    #[test]
    fn a_question_too_long_for_the_window_keeps_its_keys_and_every_line_can_be_reached() {
        for (width, height) in [(80, 24), (60, 16), SMALLEST] {
            let mut app = asking(40, false);
            let mut seen = String::new();
            app.at(Duration::ZERO, (width, height));
            for _ in 0..=super::last(&app) {
                let shown = drawn(&mut app, width, height);
                assert!(shown.contains("Enter = done") && shown.contains("n = no"), "{shown}");
                seen.push_str(&shown);
                app.scroll += 1;
            }
            for n in 0..40 {
                assert!(seen.contains(&format!("line {n} ")), "{width}×{height}: line {n}");
            }
        }
    }

    #[test]
    fn too_small_a_window_shows_its_size_the_state_and_the_stop_key_only() {
        let shown = drawn(&mut asking(3, false), 39, 24);
        assert!(shown.contains("at least 40x12") && shown.contains("NO READING"), "{shown}");
        assert!(!shown.contains("Enter") && !shown.contains("line 0"), "{shown}");
    }

    #[test]
    fn absent_readings_are_dashes_never_numbers() {
        let mut app = app();
        app.place = Place::Running;
        let shown = drawn(&mut app, 80, 24);
        let rail = shown.lines().find(|line| line.contains("Rail pressure")).unwrap();
        assert!(rail.contains("--") && !rail.contains("0.0"), "{rail}");
        assert!(shown.contains("P-1042"), "the pump's own number");
    }

    #[test]
    fn a_reading_that_nothing_follows_turns_into_dashes() {
        let mut app = app();
        app.place = Place::Running;
        let mut view = view(0);
        view.live.rail_pa = Some(1e6);
        app.show(Some(view));
        assert!(drawn(&mut app, 80, 24).contains("1.00 MPa"));
        app.at(Duration::from_secs(1), (80, 24));
        assert_eq!(app.live().rail_pa, None);
        assert_eq!(app.age_ms(), Some(1_000));
    }

    #[test]
    fn a_lost_link_says_so_until_the_board_is_watched_again() {
        let mut app = app();
        app.place = Place::Running;
        let mut view = view(0);
        view.lost = Some("the port is gone".to_owned());
        app.show(Some(view.clone()));
        assert!(drawn(&mut app, 80, 24).contains("LINK LOST · HANDS OFF"));
        view.status = Status::from_word(0);
        view.live.rail_pa = Some(1e6);
        app.show(Some(view));
        let shown = drawn(&mut app, 80, 24);
        assert!(shown.contains("LINK BACK, WATCHING ONLY") && shown.contains("1.00 MPa"), "{shown}");
        assert!(!shown.contains("LINK LOST"), "{shown}");
    }

    #[test]
    fn hands_off_stands_whenever_something_may_move_and_never_while_hand_work_is_asked_for() {
        let status = |state, shaft_turning| Status { state, shaft_turning, ..Status::from_word(0).unwrap() };
        for asking in [false, true] {
            assert!(hands(None, asking).contains("HANDS OFF"));
            assert!(hands(Some(status(State::Dwelling, false)), asking).contains("HANDS OFF"));
            assert!(hands(Some(status(State::Rest, true)), asking).contains("HANDS OFF"));
            assert_eq!(hands(Some(status(State::Rest, false)), asking), "");
        }
        assert!(hands(Some(status(State::Armed, false)), false).contains("HANDS OFF"));
        assert!(!hands(Some(status(State::Armed, false)), true).contains("HANDS OFF"));
        assert!(hands(Some(status(State::Armed, true)), true).contains("HANDS OFF"));
    }
}
