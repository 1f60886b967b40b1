//! A plain chart: axes with round ticks, points, lines, a band and a legend.

use super::canvas::{Anchor, Canvas, INK, QUIET, Rgb};
use crate::units::trim_number;

/// Colours told apart by colour-blind eyes (Okabe & Ito, 2008).
const COLOURS: [Rgb; 5] = [
    [0, 114, 178],
    [213, 94, 0],
    [0, 158, 115],
    [204, 121, 167],
    [86, 180, 233],
];
const GRID: Rgb = [228, 229, 233];
const SIZE: [u32; 2] = [1200, 800];

/// How a series is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    Line,
    Disc,
    Ring,
    Square,
    Cross,
}

#[derive(Debug, Clone)]
pub struct Series {
    pub name: String,
    pub points: Vec<[f64; 2]>,
    pub mark: Mark,
}

impl Series {
    pub fn line(name: &str, points: Vec<[f64; 2]>) -> Series {
        Series::marks(name, Mark::Line, points)
    }
    pub fn marks(name: &str, mark: Mark, points: Vec<[f64; 2]>) -> Series {
        Series {
            name: name.to_owned(),
            points,
            mark,
        }
    }
}

/// A named band: x, lower and upper value.
pub type Band = (String, Vec<[f64; 3]>);

/// One chart. Labels carry their units.
#[derive(Debug, Clone, Default)]
pub struct Chart {
    pub title: String,
    pub notes: Vec<String>,
    pub x_label: String,
    pub y_label: String,
    pub series: Vec<Series>,
    pub band: Option<Band>,
    /// Whether x and y run by powers of ten; values that are not positive are then left out.
    pub log: [bool; 2],
    /// Words beside points.
    pub labels: Vec<([f64; 2], String)>,
}

/// One direction of the chart: the values at its ends.
#[derive(Clone, Copy)]
struct Axis {
    lo: f64,
    hi: f64,
    log: bool,
}

impl Axis {
    fn new(values: impl Iterator<Item = f64>, log: bool) -> Axis {
        let (lo, hi) = padded(if log {
            Box::new(values.filter(|v| *v > 0.0).map(f64::log10)) as Box<dyn Iterator<Item = f64>>
        } else {
            Box::new(values)
        });
        Axis { lo, hi, log }
    }
    fn shown(&self, v: f64) -> bool {
        v.is_finite() && (!self.log || v > 0.0)
    }
    /// 0 at the low end, 1 at the high end.
    fn at(&self, v: f64) -> f32 {
        let v = if self.log { v.log10() } else { v };
        ((v - self.lo) / (self.hi - self.lo)) as f32
    }
    fn ticks(&self) -> Vec<(f64, String)> {
        if !self.log {
            let (values, decimals) = ticks(self.lo, self.hi);
            return values
                .into_iter()
                .map(|v| (v, trim_number(v, decimals)))
                .collect();
        }
        let steps: &[f64] = if self.hi - self.lo < 3.0 {
            &[1.0, 2.0, 5.0]
        } else {
            &[1.0]
        };
        let decades = self.lo.floor() as i32..=self.hi.ceil() as i32;
        decades
            .flat_map(|d| steps.iter().map(move |s| (s * 10f64.powi(d), d)))
            .filter(|(v, _)| (self.lo..=self.hi).contains(&v.log10()))
            .map(|(v, d)| (v, trim_number(v, d.min(0).unsigned_abs() as usize)))
            .collect()
    }
}

/// Round tick values that cover the range, and how many decimals they need.
fn ticks(lo: f64, hi: f64) -> (Vec<f64>, usize) {
    let rough = ((hi - lo) / 6.0).max(f64::MIN_POSITIVE);
    let decade = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .iter()
        .map(|m| m * decade)
        .find(|s| *s >= rough * 0.999)
        .unwrap_or(10.0 * decade);
    let first = (lo / step - 1e-9).ceil() as i64;
    let last = (hi / step + 1e-9).floor() as i64;
    let decimals = (-step.log10().floor()).clamp(0.0, 9.0) as usize;
    (
        (first..=last.min(first + 20))
            .map(|i| i as f64 * step)
            .collect(),
        decimals,
    )
}

fn padded(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (lo, hi) = values
        .filter(|v| v.is_finite())
        .fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
    if lo > hi {
        return (0.0, 1.0);
    }
    let pad = if hi > lo {
        0.06 * (hi - lo)
    } else {
        (0.1 * hi.abs()).max(0.5)
    };
    (lo - pad, hi + pad)
}

impl Chart {
    pub fn png(&self) -> Vec<u8> {
        let mut c = Canvas::new(SIZE[0], SIZE[1]);
        let legend = self.series.len() + usize::from(self.band.is_some());
        let (left, right, bottom) = (90.0, 1170.0, 730.0);
        let top = 66.0 + 22.0 * self.notes.len() as f32 + 24.0 * legend.div_ceil(3) as f32;
        let all = || self.series.iter().flat_map(|s| &s.points);
        let band = || self.band.iter().flat_map(|b| &b.1);
        let x = Axis::new(all().map(|p| p[0]).chain(band().map(|b| b[0])), self.log[0]);
        let y = Axis::new(
            all().map(|p| p[1]).chain(band().flat_map(|b| [b[1], b[2]])),
            self.log[1],
        );
        let at_x = |v: f64| left + x.at(v) * (right - left);
        let at_y = |v: f64| bottom - y.at(v) * (bottom - top);
        let px = |p: [f64; 2]| [at_x(p[0]), at_y(p[1])];
        c.text(left, 40.0, 24.0, Anchor::Start, INK, &self.title);
        for (i, note) in self.notes.iter().enumerate() {
            c.text(
                left,
                66.0 + 22.0 * i as f32,
                16.0,
                Anchor::Start,
                QUIET,
                note,
            );
        }
        for (v, text) in x.ticks() {
            let x = at_x(v);
            c.polyline([[x, top], [x, bottom]], false, 1.0, GRID);
            c.text(x, bottom + 22.0, 15.0, Anchor::Middle, INK, &text);
        }
        for (v, text) in y.ticks() {
            let y = at_y(v);
            c.polyline([[left, y], [right, y]], false, 1.0, GRID);
            c.text(left - 8.0, y + 5.0, 15.0, Anchor::End, INK, &text);
        }
        if let Some((_, band)) = &self.band {
            let ring = band
                .iter()
                .map(|b| px([b[0], b[1]]))
                .chain(band.iter().rev().map(|b| px([b[0], b[2]])));
            c.fill_rings([ring.collect::<Vec<_>>()], COLOURS[0], 0.16);
        }
        for (i, s) in self.series.iter().enumerate() {
            let colour = COLOURS[i % COLOURS.len()];
            let shown = s.points.iter().filter(|p| x.shown(p[0]) && y.shown(p[1]));
            if s.mark == Mark::Line {
                c.polyline(shown.map(|p| px(*p)), false, 2.0, colour);
            } else {
                for p in shown {
                    mark(&mut c, s.mark, px(*p), colour);
                }
            }
        }
        for (p, text) in &self.labels {
            let [x, y] = px(*p);
            c.text(x + 10.0, y - 8.0, 14.0, Anchor::Start, INK, text);
        }
        c.polyline(
            [[left, top], [left, bottom], [right, bottom]],
            false,
            1.5,
            INK,
        );
        c.text(
            (left + right) / 2.0,
            bottom + 52.0,
            17.0,
            Anchor::Middle,
            INK,
            &self.x_label,
        );
        c.text(12.0, top - 10.0, 17.0, Anchor::Start, INK, &self.y_label);
        self.legend(&mut c, left, 66.0 + 22.0 * self.notes.len() as f32);
        c.png()
    }
    fn legend(&self, c: &mut Canvas, left: f32, y: f32) {
        let names = self.series.iter().map(|s| &s.name);
        for (i, name) in names.chain(self.band.iter().map(|b| &b.0)).enumerate() {
            let at = [
                left + 190.0 + 300.0 * (i % 3) as f32,
                y - 4.0 + 24.0 * (i / 3) as f32,
            ];
            let colour = COLOURS[i % COLOURS.len()];
            match self.series.get(i).map(|s| s.mark) {
                Some(Mark::Line) => c.polyline(
                    [[at[0] - 12.0, at[1]], [at[0] + 12.0, at[1]]],
                    false,
                    2.5,
                    colour,
                ),
                Some(m) => mark(c, m, at, colour),
                None => c.rect(at[0] - 12.0, at[1] - 7.0, 24.0, 14.0, [214, 233, 244]),
            }
            c.text(at[0] + 20.0, at[1] + 5.0, 15.0, Anchor::Start, INK, name);
        }
    }
}

fn mark(c: &mut Canvas, mark: Mark, [x, y]: [f32; 2], colour: Rgb) {
    match mark {
        Mark::Line => {}
        Mark::Disc => c.circle(x, y, 5.0, Some(colour), None),
        Mark::Ring => c.circle(x, y, 9.0, None, Some((colour, 2.0))),
        Mark::Square => c.rect(x - 4.5, y - 4.5, 9.0, 9.0, colour),
        Mark::Cross => {
            c.polyline([[x - 6.0, y - 6.0], [x + 6.0, y + 6.0]], false, 2.5, colour);
            c.polyline([[x - 6.0, y + 6.0], [x + 6.0, y - 6.0]], false, 2.5, colour);
        }
    }
}
