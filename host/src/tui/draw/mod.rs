//! Drawing: state in, cells out. One region per file; this one only chooses and places.
//!
//! Colour only repeats what words say. The stop key is drawn on every screen.

mod bench;
mod choice;
mod dialog;
mod findings;

use super::app::{App, Place};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::Paragraph;
use stepwell_procedure::words;
use stepwell_protocol::state::State;

/// Draws the whole screen.
pub(super) fn screen(app: &App, frame: &mut Frame<'_>) {
    let [top, state, middle, bottom] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(1),
        Constraint::Min(1),
        Constraint::Length(1),
    ])
    .areas(frame.area());
    frame.render_widget(title(app), top);
    frame.render_widget(state_line(app), state);
    match app.place {
        Place::Choosing => choice::draw(app, middle, frame),
        Place::Running => bench::draw(app, middle, frame),
        Place::Over => findings::draw(app, middle, frame),
    }
    frame.render_widget(stop_line(app), bottom);
    if app.help {
        dialog::help(frame, middle);
    } else if let (Place::Running, Some(prompt)) =
        (app.place, app.view.as_ref().and_then(|view| view.prompt.as_ref()))
    {
        dialog::prompt(prompt, frame, middle);
    }
}

fn title(app: &App) -> Paragraph<'static> {
    let what = format!("Stepwell · {} · pump sheet {}", app.procedures[app.procedure], app.pumps[app.pump]);
    let simulated = if app.simulated { " · SIMULATED" } else { "" };
    Paragraph::new(format!("{what}{simulated}")).style(Style::new().add_modifier(Modifier::BOLD))
}

fn state_line(app: &App) -> Paragraph<'static> {
    let reversed = Style::new().add_modifier(Modifier::REVERSED);
    let Some(view) = app.view.as_ref().filter(|_| app.place != Place::Choosing) else {
        return Paragraph::new("NOTHING ENERGISED BY THIS PROGRAM").style(reversed);
    };
    let (state, rail) = match view.status {
        Some(status) => {
            let rail = if status.rail_proven_low {
                "rail low by sensor: look at the gauge"
            } else {
                "PRESSURE NOT PROVEN ZERO"
            };
            (words::state(status.state).to_uppercase(), rail)
        }
        None => ("NO READING".to_owned(), "PRESSURE NOT PROVEN ZERO"),
    };
    let energised = view.status.is_none_or(|status| {
        status.shaft_turning || matches!(status.state, State::Armed | State::Dwelling | State::Stopping)
    });
    let hands = if energised { " · HANDS OFF" } else { "" };
    let age = format!("heard {} ms ago", view.age_ms);
    Paragraph::new(Line::from(format!("{state}{hands} · {rail} · {age}"))).style(reversed)
}

fn stop_line(app: &App) -> Paragraph<'static> {
    let rest = match app.place {
        Place::Choosing => "Enter start · Up/Down · Tab · h help · q leave",
        Place::Running => "Enter done · n no · h help",
        Place::Over => "Enter go on · Up/Down · h help · q leave",
    };
    Paragraph::new(format!("[Space] SOFTWARE STOP · {rest}"))
}

/// The part of `area` in its middle, at most `width` × `height`.
fn centred(area: Rect, width: u16, height: u16) -> Rect {
    let (width, height) = (width.min(area.width), height.min(area.height));
    Rect { x: area.x + (area.width - width) / 2, y: area.y + (area.height - height) / 2, width, height }
}

#[cfg(test)]
mod tests {
    use super::super::app::App;
    use crate::cli::{BenchArgs, ModelArgs};
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    fn app() -> App {
        let bench = BenchArgs {
            pump: "heron".into(),
            bench: "demo".into(),
            port: None,
            id: None,
            model: ModelArgs { seed: 1, inject: vec![] },
        };
        App::new("acceptance", &bench)
    }

    fn drawn(app: &App, width: u16, height: u16) -> String {
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| super::screen(app, frame)).unwrap();
        terminal.backend().to_string()
    }

    /// The stop key stands on every screen and under every dialog, at every size down to 20 × 5.
    #[test]
    fn the_stop_key_is_always_drawn() {
        let mut app = app();
        for (width, height) in [(80, 24), (160, 48), (60, 16), (20, 5)] {
            for help in [false, true] {
                for place in [super::Place::Choosing, super::Place::Running, super::Place::Over] {
                    app.help = help;
                    app.place = place;
                    let shown = drawn(&app, width, height);
                    assert!(shown.contains("[Space] SOFTWARE"), "{place:?} {width}×{height}:\n{shown}");
                }
            }
        }
    }

    #[test]
    fn absent_readings_are_dashes_never_numbers() {
        let mut app = app();
        app.place = super::Place::Running;
        let shown = drawn(&app, 80, 24);
        let rail = shown.lines().find(|line| line.contains("Rail pressure")).unwrap();
        assert!(rail.contains("--") && !rail.contains("0.0"), "{rail}");
    }
}
