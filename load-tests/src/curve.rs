//! The curve of a sweep as an SVG picture.

use std::fmt::Write;

use serde::Serialize;

use crate::figures::Figures;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 420.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 120.0;
const TOP: f64 = 48.0;
const BOTTOM: f64 = 52.0;
/// Colours that stay apart in print and for most eyes that see fewer.
const COLOURS: [&str; 2] = ["#0b5fa5", "#b3541e"];

/// One number of athletes and how calls fared.
#[derive(Clone, Copy, Debug, Serialize)]
pub(crate) struct Point {
    /// How many.
    pub(crate) athletes: usize,
    /// Half of the calls came within this.
    pub(crate) p50_ms: f64,
    /// All but one in a hundred.
    pub(crate) p99_ms: f64,
    /// Processor seconds a second.
    pub(crate) cpu: f64,
    /// Nothing was lost.
    pub(crate) lost_nothing: bool,
}

impl Point {
    /// What a run says.
    pub(crate) fn of(figures: &Figures) -> Point {
        Point {
            athletes: figures.athletes,
            p50_ms: figures.call.p50_ms,
            p99_ms: figures.call.p99_ms,
            cpu: figures.cpu_user + figures.cpu_system,
            lost_nothing: figures.lost.nothing(),
        }
    }

    /// In words.
    pub(crate) fn told(&self) -> String {
        format!(
            "{} athletes, call p50 {:.1} p99 {:.1} ms, {:.2} s of CPU a second, {}",
            self.athletes,
            self.p50_ms,
            self.p99_ms,
            self.cpu,
            if self.lost_nothing { "nothing lost" } else { "SOMETHING WAS LOST" }
        )
    }
}

/// Draws the p99 of calls over the number of athletes, each curve with its name at its end.
pub(crate) fn draw(curves: &[(String, Vec<Point>)], limit_ms: f64) -> String {
    let points = || curves.iter().flat_map(|(_, points)| points);
    let most = points().map(|point| point.athletes as f64).fold(1.0, f64::max);
    let slowest = points().map(|point| point.p99_ms).fold(limit_ms, f64::max) * 1.05;
    let x = |athletes: f64| LEFT + (WIDTH - LEFT - RIGHT) * athletes / most;
    let y = |ms: f64| HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * ms / slowest;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" \
         font-size=\"14\" role=\"img\">\n<title>Call latency (p99) over athletes in one piece</title>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n\
         <text x=\"{LEFT}\" y=\"26\" font-size=\"16\">From a call being due to each athlete: p99, ms</text>\n"
    );
    let mut line = |text: String| {
        svg.push_str(&text);
        svg.push('\n');
    };
    for step in ticks(slowest) {
        let y = y(step);
        line(format!(
            "<path d=\"M{LEFT} {y:.1}H{:.1}\" stroke=\"#ddd\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{step}</text>",
            WIDTH - RIGHT,
            LEFT - 8.0,
            y + 5.0
        ));
    }
    for step in ticks(most) {
        let x = x(step);
        line(format!(
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{step}</text>",
            HEIGHT - BOTTOM + 22.0
        ));
    }
    line(format!(
        "<path d=\"M{LEFT} {0:.1}H{1:.1}\" stroke=\"#222\" stroke-dasharray=\"5 4\"/>\
         <text x=\"{LEFT}\" y=\"{2:.1}\" font-size=\"13\">athletes in one piece</text>",
        y(limit_ms),
        WIDTH - RIGHT,
        HEIGHT - 10.0
    ));
    for ((name, points), colour) in curves.iter().zip(COLOURS) {
        let mut path = String::new();
        for (number, point) in points.iter().enumerate() {
            let (x, y) = (x(point.athletes as f64), y(point.p99_ms));
            let verb = if number == 0 { 'M' } else { 'L' };
            // Writing to a text cannot fail.
            let _ = write!(path, "{verb}{x:.1} {y:.1}");
            line(format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.5\" fill=\"{colour}\"/>"));
        }
        line(format!("<path d=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>"));
        if let Some(last) = points.last() {
            let (x, y) = (x(last.athletes as f64) + 8.0, y(last.p99_ms) + 5.0);
            line(format!("<text x=\"{x:.1}\" y=\"{y:.1}\" fill=\"{colour}\">{name}</text>"));
        }
    }
    svg.push_str("</svg>\n");
    svg
}

/// Round numbers up to this limit, about five of them.
fn ticks(most: f64) -> Vec<f64> {
    let rough = most / 5.0;
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|times| times * power);
    let step = step.into_iter().find(|step| *step >= rough).unwrap_or(power);
    (0..=20).map(|number| f64::from(number) * step).take_while(|tick| *tick <= most).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_point_is_drawn_and_the_axes_carry_round_numbers() {
        let point = |athletes, p99_ms| Point {
            athletes,
            p50_ms: 1.0,
            p99_ms,
            cpu: 0.1,
            lost_nothing: true,
        };
        let curves = [("server".to_owned(), vec![point(1_000, 12.0), point(9_000, 130.0)])];
        let svg = draw(&curves, 100.0);
        assert_eq!(svg.matches("<circle").count(), 2);
        assert!(svg.contains(">server</text>") && svg.ends_with("</svg>\n"));
        assert_eq!(ticks(136.5), [0.0, 50.0, 100.0]);
        assert_eq!(ticks(9_000.0), [0.0, 2_000.0, 4_000.0, 6_000.0, 8_000.0]);
    }
}
