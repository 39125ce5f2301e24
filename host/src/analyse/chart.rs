//! Data and fit as a picture: in the terminal as text, or as an SVG file.

use crate::failure::Failure;
use plotters::prelude::{
    ChartBuilder, Circle, Color, EmptyElement, IntoDrawingArea, LineSeries, PathElement, RGBColor, SVGBackend,
};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::symbols::Marker;
use ratatui::widgets::{Axis, Chart as Picture, Dataset, GraphType, Widget};
use std::path::Path;
use stepwell_procedure::quantity::Dimension;

/// What is drawn along an axis, in SI units.
#[derive(Clone, Debug)]
pub(crate) struct Scale {
    pub(crate) name: &'static str,
    pub(crate) dimension: Dimension,
}

/// A picture: points of the recording, and the curve that was fitted to them.
#[derive(Clone, Debug)]
pub(crate) struct Chart {
    pub(crate) title: String,
    pub(crate) x: Scale,
    pub(crate) y: Scale,
    pub(crate) data: Vec<(f64, f64)>,
    pub(crate) fit: Vec<(f64, f64)>,
}

/// Points in the units of the axes, few enough to draw.
struct Drawn {
    data: Vec<(f64, f64)>,
    fit: Vec<(f64, f64)>,
    x: Range,
    y: Range,
}

struct Range {
    title: String,
    from: f64,
    to: f64,
}

/// More points than that show nothing more.
const POINTS_MAX: usize = 4_000;

impl Chart {
    fn drawn(&self) -> Option<Drawn> {
        let all = || self.data.iter().chain(&self.fit);
        let x = range(&self.x, all().map(|p| p.0))?;
        let y = range(&self.y, all().map(|p| p.1))?;
        let scaled = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
            thinned(points).map(|(px, py)| (px * x.1, py * y.1)).collect()
        };
        Some(Drawn { data: scaled(&self.data), fit: scaled(&self.fit), x: x.0, y: y.0 })
    }

    /// The picture in characters. Dots in rows of eight a character are the recording, bullets the fit.
    pub(crate) fn text(&self, width: u16, height: u16) -> String {
        let Some(drawn) = self.drawn() else { return String::new() };
        let data =
            Dataset::default().marker(Marker::Braille).graph_type(GraphType::Scatter).data(&drawn.data);
        let fit = Dataset::default().marker(Marker::Dot).graph_type(GraphType::Scatter).data(&drawn.fit);
        let axis = |range: &Range| {
            let middle = f64::midpoint(range.from, range.to);
            let labels = [range.from, middle, range.to].map(|at| mark(at, range.to - range.from));
            Axis::default().bounds([range.from, range.to]).labels(labels)
        };
        let picture = Picture::new(vec![data, fit]).x_axis(axis(&drawn.x)).y_axis(axis(&drawn.y));
        let area = Rect::new(0, 0, width, height);
        let mut buffer = Buffer::empty(area);
        picture.render(area, &mut buffer);
        let mut text = format!(
            "{}: {} over {}; recording: fine dots, fit: •\n",
            self.title, drawn.y.title, drawn.x.title
        );
        for row in 0..height {
            let line: String = (0..width).map(|column| buffer[(column, row)].symbol()).collect();
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }

    /// The picture as an SVG file.
    pub(crate) fn svg(&self, path: &Path) -> Result<(), Failure> {
        let wrong =
            |what: String| Failure::Usage(format!("writing the picture to {}: {what}", path.display()));
        let drawn = self.drawn().ok_or_else(|| wrong("there is nothing to draw".to_owned()))?;
        let mut svg = String::new();
        draw(&drawn, &self.title, &mut svg).map_err(|error| wrong(error.to_string()))?;
        std::fs::write(path, svg).map_err(|error| wrong(error.to_string()))
    }
}

/// Colours told apart without seeing red or green; and the fit is a line, the recording points.
const DATA: RGBColor = RGBColor(150, 150, 150);
const FIT: RGBColor = RGBColor(0, 70, 160);

fn draw(drawn: &Drawn, title: &str, svg: &mut String) -> Result<(), Box<dyn std::error::Error>> {
    let root = SVGBackend::with_string(svg, (900, 500)).into_drawing_area();
    root.fill(&RGBColor(255, 255, 255))?;
    let mut chart = ChartBuilder::on(&root)
        .caption(title, ("sans-serif", 20))
        .margin(14)
        .x_label_area_size(48)
        .y_label_area_size(80)
        .build_cartesian_2d(drawn.x.from..drawn.x.to, drawn.y.from..drawn.y.to)?;
    chart
        .configure_mesh()
        .disable_mesh()
        .x_desc(drawn.x.title.as_str())
        .y_desc(drawn.y.title.as_str())
        .x_label_formatter(&|at| mark(*at, drawn.x.to - drawn.x.from))
        .y_label_formatter(&|at| mark(*at, drawn.y.to - drawn.y.from))
        .label_style(("sans-serif", 15))
        .draw()?;
    chart
        .draw_series(drawn.data.iter().map(|at| EmptyElement::at(*at) + Circle::new((0, 0), 1, DATA)))?
        .label("recording")
        .legend(|(x, y)| Circle::new((x + 10, y), 3, DATA));
    if !drawn.fit.is_empty() {
        chart
            .draw_series(LineSeries::new(drawn.fit.iter().copied(), FIT.stroke_width(2)))?
            .label("fit")
            .legend(|(x, y)| PathElement::new(vec![(x, y), (x + 20, y)], FIT));
    }
    chart
        .configure_series_labels()
        .background_style(RGBColor(255, 255, 255))
        .border_style(DATA)
        .label_font(("sans-serif", 15))
        .draw()?;
    root.present()?;
    Ok(())
}

/// The range of an axis with a little room, and how many of its units are in one SI unit. `None` when there
/// is nothing, or nothing finite.
fn range(scale: &Scale, values: impl Iterator<Item = f64>) -> Option<(Range, f64)> {
    let (from, to) = values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(from, to), value| (from.min(value), to.max(value)));
    if from > to {
        return None;
    }
    let (unit, per_si) = scale.dimension.scale_for(from.abs().max(to.abs()));
    let room = 0.03 * (to - from).max(1e-3 * to.abs()).max(f64::MIN_POSITIVE);
    let range = Range {
        title: format!("{} in {unit}", scale.name),
        from: (from - room) * per_si,
        to: (to + room) * per_si,
    };
    Some((range, per_si))
}

/// A number beside an axis of the given span, with the digits that differ along it.
fn mark(at: f64, span: f64) -> String {
    let decimals = (2.0 - span.abs().max(f64::MIN_POSITIVE).log10().floor()).clamp(0.0, 9.0) as usize;
    format!("{at:.decimals$}")
}

/// At most [`POINTS_MAX`] of the points: of every stretch the lowest and the highest, so that no peak is lost.
fn thinned(points: &[(f64, f64)]) -> impl Iterator<Item = (f64, f64)> + '_ {
    let stretch = (2 * points.len()).div_ceil(POINTS_MAX).max(1);
    points.chunks(stretch).flat_map(move |chunk| {
        let places = || 0..chunk.len();
        let low = places().min_by(|a, b| chunk[*a].1.total_cmp(&chunk[*b].1));
        let high = places().max_by(|a, b| chunk[*a].1.total_cmp(&chunk[*b].1));
        let (first, second) = (low.min(high), low.max(high));
        first.into_iter().chain(second.filter(|_| first != second)).map(|place| chunk[place])
    })
}

#[cfg(test)]
mod tests {
    use super::{Chart, Dimension, Scale};

    fn chart(points: usize) -> Chart {
        let data: Vec<(f64, f64)> =
            (0..points).map(|i| (i as f64 * 1e-3, 2e6 * (i as f64 * 0.01).sin())).collect();
        let scale = |name, dimension| Scale { name, dimension };
        Chart {
            title: "Step".to_owned(),
            x: scale("time", Dimension::Time),
            y: scale("pressure", Dimension::Pressure),
            fit: data.clone(),
            data,
        }
    }

    #[test]
    fn the_picture_fits_its_lines_and_bears_its_scales() {
        let text = chart(1_000).text(78, 16);
        assert_eq!(text.lines().count(), 17);
        assert!(text.lines().all(|line| line.chars().count() <= 78), "{text}");
        assert!(text.contains("pressure in MPa over time in ms") && text.contains('•'), "{text}");
    }

    #[test]
    fn a_million_points_make_a_small_file_and_nothing_makes_a_reason() {
        let folder = std::env::temp_dir().join(format!("stepwell-chart-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("a.svg");
        chart(1_000_000).svg(&path).unwrap();
        let svg = std::fs::read_to_string(&path).unwrap();
        assert!(svg.starts_with("<svg") && svg.contains("pressure in MPa") && svg.len() < 1_000_000);
        assert!(chart(0).svg(&path).is_err());
        assert_eq!(chart(0).text(78, 16), "");
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
