//! Coupons: artwork to cut, read under the microscope and fit.
//!
//! Page coordinates, millimetres, y down. A job follows the drawn edges: no kerf is taken off.

mod digits;
mod features;
mod ladder;
mod rows;
mod schedule;
mod settings;
mod star;

pub use features::kerf_coupon;
pub use ladder::{Threshold, ladder_coupon};
pub use rows::{focus_coupon, pulse_coupon};
pub use settings::{Axis, Knob, matrix_coupon};
pub use star::heat_coupon;

use super::{Contour, CutKind, lay};
use crate::job::{self, Label, PlaceError, Plan};
use crate::order::{self, OrderMode, Sequence, Visit};
use crate::recipe::Recipe;
use crate::regions::Point;
use crate::units::{NM_PER_MM, trim_number};
use std::fmt::Write;
use thiserror::Error;

#[derive(Debug, Error)]
pub enum CouponError {
    #[error("{0}")]
    Refused(String),
    #[error(transparent)]
    Place(#[from] PlaceError),
}

/// One thing drawn on a coupon: an outline to open, or a line to run along once.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    pub id: String,
    pub closed: bool,
    pub points: Vec<[f64; 2]>,
    /// Which of [`Coupon::groups`] it is cut with.
    pub group: usize,
}

/// Marks that are cut with the same settings, one after the other.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    pub power_percent: f64,
    pub cut_speed_mm_s: f64,
    pub passes: u32,
    /// Which of [`Coupon::jobs`] it belongs to.
    pub job: usize,
    /// Laser-off pause before it, and what it is for.
    pub pause_before_s: f64,
    pub pause_reason: &'static str,
    /// All passes of a mark before the next mark.
    pub in_place: bool,
}

/// Why most groups wait.
const COOLING: &str = "the cells before cool down";

impl Group {
    fn of(recipe: &Recipe) -> Group {
        Group {
            power_percent: recipe.laser.power_percent,
            cut_speed_mm_s: recipe.scan.cut_speed_mm_s,
            passes: recipe.passes.count,
            job: 0,
            pause_before_s: 0.0,
            pause_reason: COOLING,
            in_place: false,
        }
    }
}

/// A job file of a coupon: what a job cannot change by itself is set at the machine before it.
#[derive(Debug, Clone, PartialEq)]
pub struct JobPart {
    /// Added to the file name; empty where there is one job.
    pub suffix: String,
    pub pulse_rate_khz: f64,
    pub focus_offset_mm: f64,
    /// What to set before this job.
    pub before: String,
}

impl JobPart {
    /// The only job of a coupon, with the recipe's settings.
    fn of(recipe: &Recipe) -> JobPart {
        JobPart {
            suffix: String::new(),
            pulse_rate_khz: recipe.laser.pulse_rate_khz,
            focus_offset_mm: recipe.laser.focus_offset_mm,
            before: String::new(),
        }
    }
}

/// A coupon, ready to be drawn and cut.
#[derive(Debug, Clone, PartialEq)]
pub struct Coupon {
    pub name: &'static str,
    pub size_mm: [f64; 2],
    pub marks: Vec<Mark>,
    /// In the order of cutting.
    pub groups: Vec<Group>,
    pub jobs: Vec<JobPart>,
    /// The readings table, to be filled in.
    pub table: String,
    pub notes: Vec<String>,
}

impl Coupon {
    fn new(name: &'static str, size_mm: [f64; 2], table_head: &str) -> Coupon {
        Coupon {
            name,
            size_mm,
            marks: Vec::new(),
            groups: Vec::new(),
            jobs: Vec::new(),
            table: format!("{table_head}\n"),
            notes: Vec::new(),
        }
    }
    fn open(&mut self, id: String, points: Vec<[f64; 2]>, group: usize) {
        self.marks.push(Mark {
            id,
            closed: true,
            points,
            group,
        });
    }
    fn rect(&mut self, id: String, [x, y, w, h]: [f64; 4], group: usize) {
        self.open(
            id,
            vec![[x, y], [x + w, y], [x + w, y + h], [x, y + h]],
            group,
        );
    }
    fn line(&mut self, id: String, from: [f64; 2], to: [f64; 2], group: usize) {
        self.marks.push(Mark {
            id,
            closed: false,
            points: vec![from, to],
            group,
        });
    }
    /// A number, middle at `at`: as openings of that stroke width, or as single lines.
    fn number(
        &mut self,
        id: &str,
        value: usize,
        at: [f64; 2],
        height_mm: f64,
        stroke_mm: Option<f64>,
        group: usize,
    ) {
        for (i, [a, b]) in digits::strokes(value, at, height_mm)
            .into_iter()
            .enumerate()
        {
            let id = format!("{id}-{i}");
            match stroke_mm {
                Some(t) => {
                    let (x, y) = (a[0].min(b[0]), a[1].min(b[1]));
                    let (w, h) = ((a[0] - b[0]).abs(), (a[1] - b[1]).abs());
                    self.rect(
                        id,
                        if w > h {
                            [x, y - t / 2.0, w, t]
                        } else {
                            [x - t / 2.0, y, t, h]
                        },
                        group,
                    );
                }
                None => self.line(id, a, b, group),
            }
        }
    }
    /// The mark in the upper left corner: a triangle of unequal legs, so that turned and mirrored coupons
    /// are told from right ones.
    fn corner_mark(&mut self, group: usize) {
        self.open(
            "corner-mark".into(),
            vec![[0.6, 0.6], [1.8, 0.6], [0.6, 1.3]],
            group,
        );
    }

    /// The artwork: an ordinary layered drawing.
    pub fn svg(&self) -> String {
        let n = |v: f64| trim_number(v, 5);
        let [w, h] = self.size_mm.map(n);
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">\n<g id=\"{}\">\n",
            self.name
        );
        for m in &self.marks {
            let mut d = String::new();
            for (i, p) in m.points.iter().enumerate() {
                let _ = write!(
                    d,
                    "{}{} {}",
                    if i == 0 { "M" } else { "L" },
                    n(p[0]),
                    n(p[1])
                );
            }
            let _ = if m.closed {
                writeln!(out, "<path id=\"{}\" d=\"{d}Z\" fill=\"#000\"/>", m.id)
            } else {
                writeln!(
                    out,
                    "<path id=\"{}\" d=\"{d}\" fill=\"none\" stroke=\"#000\" stroke-width=\"0.005\"/>",
                    m.id
                )
            };
        }
        out.push_str("</g>\n</svg>\n");
        out
    }

    /// The jobs, in the order of [`Coupon::jobs`], each with the recipe it is to be written with.
    ///
    /// # Errors
    /// A coupon larger than the scanner's field.
    pub fn plans(&self, recipe: &Recipe) -> Result<Vec<(Plan, Recipe)>, CouponError> {
        let sheet = [0.0, 0.0, self.size_mm[0], self.size_mm[1]];
        (0..self.jobs.len())
            .map(|job| {
                let part = &self.jobs[job];
                let mut r = recipe.clone();
                r.kerf.width_um = 0.0;
                r.laser.pulse_rate_khz = part.pulse_rate_khz;
                r.laser.focus_offset_mm = part.focus_offset_mm;
                let label = Label {
                    artwork: &format!("{}.svg", self.name),
                    layer: self.name,
                    order: OrderMode::Artwork,
                    forced: false,
                };
                let here: Vec<&Mark> = self
                    .marks
                    .iter()
                    .filter(|m| self.groups[m.group].job == job)
                    .collect();
                let contours: Vec<Contour> = here.iter().map(|m| contour(m)).collect();
                let one = self.groups.iter().filter(|g| g.job == job).count() == 1;
                let plan = if one {
                    let sequence = order::arrange(&contours, &r, OrderMode::Cool, sheet).value;
                    let label = Label {
                        order: OrderMode::Cool,
                        ..label
                    };
                    job::place(&sequence, sheet, &r, &label)?
                } else {
                    let sequence = self.in_groups(&contours, &here, job, &r);
                    let mut plan = job::place(&sequence, sheet, &r, &label)?;
                    for (path, m) in plan.paths.iter_mut().zip(&here) {
                        let g = &self.groups[m.group];
                        path.power_percent = Some(g.power_percent);
                        path.cut_speed_mm_s = Some(g.cut_speed_mm_s);
                    }
                    plan.timing = job::place::timing(&plan);
                    plan
                };
                Ok((plan, r))
            })
            .collect()
    }

    /// All passes of a group before the next group; groups that follow each other lie apart.
    fn in_groups(
        &self,
        contours: &[Contour],
        marks: &[&Mark],
        job: usize,
        recipe: &Recipe,
    ) -> Sequence {
        let paths: Vec<_> = contours
            .iter()
            .map(|c| lay(c, 0, false, &[], recipe))
            .collect();
        let mut visits = Vec::new();
        for (g, group) in self.groups.iter().enumerate().filter(|(_, g)| g.job == job) {
            let mut pause_s = group.pause_before_s;
            let here: Vec<usize> = (0..paths.len()).filter(|i| marks[*i].group == g).collect();
            let passes = 1..=group.passes;
            let order: Vec<(usize, u32)> = if group.in_place {
                (here.iter())
                    .flat_map(|i| passes.clone().map(|pass| (*i, pass)))
                    .collect()
            } else {
                passes
                    .flat_map(|pass| here.iter().map(move |i| (*i, pass)))
                    .collect()
            };
            for (i, pass) in order {
                visits.push(Visit {
                    path: i as u32,
                    pass,
                    from_mm: 0.0,
                    to_mm: paths[i].length_mm(),
                    dwell_before_s: pause_s,
                    dwell_reason: if pause_s > 0.0 {
                        group.pause_reason.to_owned()
                    } else {
                        String::new()
                    },
                });
                pause_s = 0.0;
            }
        }
        Sequence { paths, visits }
    }
}

fn contour(mark: &Mark) -> Contour {
    let grid = |v: f64| (v * NM_PER_MM).round() as i32;
    Contour {
        kind: if mark.closed {
            CutKind::Opening
        } else {
            CutKind::Line
        },
        closed: mark.closed,
        points: mark
            .points
            .iter()
            .map(|p| Point::new(grid(p[0]), grid(p[1])))
            .collect(),
        opening: None,
        parent: None,
        starts: Vec::new(),
    }
}

/// Refuses what the source cannot give, as far as the recipe knows its bounds.
fn within_bounds(recipe: &Recipe, what: &str) -> Result<(), CouponError> {
    recipe
        .check(what)
        .map_err(|e| CouponError::Refused(e.to_string()))?;
    let l = &recipe.laser;
    let energy = crate::beam::pulse_energy_uj(recipe.power_w(), l.pulse_rate_khz);
    if let Some(max) = recipe.beam.max_pulse_energy_uj
        && energy > max
    {
        return Err(CouponError::Refused(format!(
            "{what}: {} % at {} kHz is {energy:.1} uJ a pulse, more than the source's {max} uJ (beam.max_pulse_energy_uj): lower the power or raise the rate",
            trim_number(l.power_percent, 3),
            trim_number(l.pulse_rate_khz, 3)
        )));
    }
    if let Some(min) = recipe.beam.min_pulse_rate_khz
        && l.pulse_rate_khz < min
    {
        return Err(CouponError::Refused(format!(
            "{what}: {} kHz is below the source's lowest rate of {min} kHz (beam.min_pulse_rate_khz)",
            trim_number(l.pulse_rate_khz, 3)
        )));
    }
    Ok(())
}
