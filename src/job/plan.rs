//! The plan: every jump, cut and dwell in order, in job coordinates.

use crate::kerf::{CutKind, CutPath};
use crate::motion::{Burn, Motion};
use crate::polyline::{distance, length, part_of};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// The version that `plan.json` states.
pub const SCHEMA: &str = "foilwright.plan/1";

/// A job before it is written in any format. Millimetres and seconds; y up; (0, 0) as `origin` says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    pub schema: String,
    /// File name of the drawing, and the layer.
    pub artwork: String,
    pub layer: String,
    /// The sheet in job coordinates: x min, y min, x max, y max.
    pub sheet_mm: [f64; 4],
    /// Tie bars that the cuts leave, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tie_bars: Option<usize>,
    pub settings: Settings,
    pub paths: Vec<Path>,
    pub steps: Vec<Step>,
    pub timing: Timing,
    /// Written in spite of blocking findings.
    #[serde(default)]
    pub forced: bool,
    /// Paths that are cut once more; empty unless this is a clearing job.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub clearing: Vec<u32>,
}

/// The machine settings the plan was made for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    pub recipe: String,
    pub material: String,
    pub thickness_um: f64,
    pub kerf_um: f64,
    pub passes: u32,
    pub scheme: String,
    pub order: String,
    pub power_percent: f64,
    pub rated_power_w: f64,
    pub pulse_rate_khz: f64,
    pub pulse_width_ns: f64,
    pub focus_offset_mm: f64,
    pub cut_speed_mm_s: f64,
    pub jump_speed_mm_s: f64,
    pub jump_settle_ms: f64,
    pub field_mm: f64,
    pub scale_x: f64,
    pub scale_y: f64,
    pub origin: String,
    pub laser_side: String,
}

/// One path of the beam's centre.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Path {
    pub kind: CutKind,
    /// Whether it closes an outline.
    pub closed: bool,
    /// Index of the opening it belongs to.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub opening: Option<u32>,
    /// Index of the path that must be finished after this one.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub parent: Option<u32>,
    /// Length of run-in before the outline itself starts.
    pub run_in_mm: f64,
    /// Power and speed of this path alone, where they differ from the plan's settings.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub power_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub cut_speed_mm_s: Option<f64>,
    pub points: Vec<[f64; 2]>,
}

/// One step of the job. The beam is on during `Cut` and at no other time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "lowercase", deny_unknown_fields)]
pub enum Step {
    Jump {
        to: [f64; 2],
    },
    Cut {
        path: u32,
        pass: u32,
        from_mm: f64,
        to_mm: f64,
        /// Its place among the plan's cuts.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        count: Option<CutCount>,
    },
    Dwell {
        seconds: f64,
        reason: String,
    },
}

/// What the job takes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Timing {
    pub cut_length_mm: f64,
    pub jump_length_mm: f64,
    pub jumps: u64,
    pub beam_on_s: f64,
    pub jump_s: f64,
    pub dwell_s: f64,
    pub job_s: f64,
}

/// Where a point meets a path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NearPath {
    /// Index of the path: its number in every job file.
    pub path: u32,
    pub distance_mm: f64,
    /// Direction of the path there, degrees from the x axis, 0 to 180.
    pub direction_deg: f64,
}

impl Path {
    /// The path for ordering, in job coordinates.
    pub fn to_cut(&self) -> CutPath {
        CutPath {
            kind: self.kind,
            closed: self.closed,
            points: self.points.clone(),
            opening: self.opening,
            parent: self.parent,
            run_in_mm: self.run_in_mm,
        }
    }
}

/// The number of a cut, from 1, of so many: every file says it beside each cut, so that one that is lost later is
/// missed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CutCount {
    pub cut: u32,
    pub of: u32,
}

impl std::fmt::Display for CutCount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "cut {} of {}", self.cut, self.of)
    }
}

/// Numbers the cuts among some steps.
pub(super) fn count_cuts(steps: &mut [Step]) {
    let cuts = |s: &&Step| matches!(s, Step::Cut { .. });
    let of = steps.iter().filter(cuts).count() as u32;
    let mut cut = 0;
    for step in steps {
        if let Step::Cut { count, .. } = step {
            cut += 1;
            *count = Some(CutCount { cut, of });
        }
    }
}

impl Plan {
    /// Where each path with a length comes nearest to a point in job millimetres, in the order of the paths.
    pub fn near_paths(&self, at: [f64; 2]) -> impl Iterator<Item = NearPath> {
        self.paths.iter().enumerate().filter_map(move |(i, path)| {
            let (distance_mm, w) = path
                .points
                .windows(2)
                .map(|w| (crate::regions::nearest_on_segment(at, w[0], w[1]).1, w))
                .min_by(|a, b| a.0.total_cmp(&b.0))?;
            let along = libm::atan2(w[1][1] - w[0][1], w[1][0] - w[0][0]);
            Some(NearPath {
                path: i as u32,
                distance_mm,
                direction_deg: along.to_degrees().rem_euclid(180.0),
            })
        })
    }

    /// The path whose line passes nearest to a point in job millimetres; of two as near, the first.
    pub fn nearest_path(&self, at: [f64; 2]) -> Option<NearPath> {
        self.near_paths(at)
            .min_by(|a, b| a.distance_mm.total_cmp(&b.distance_mm))
    }

    /// The points of a cut step, in job millimetres.
    pub fn cut_points(&self, path: u32, from_mm: f64, to_mm: f64) -> Cow<'_, [[f64; 2]]> {
        /// Lengths along a path are known no better.
        const ROUNDING_MM: f64 = 1e-9;
        let points = &self.paths[path as usize].points;
        if from_mm <= 0.0 && to_mm >= length(points) - ROUNDING_MM {
            return Cow::Borrowed(points);
        }
        Cow::Owned(part_of(points, from_mm, to_mm))
    }

    /// Holding tabs of the sheet's outline: as many as it has cuts, since each runs from tab to tab. None
    /// where this job does not cut it.
    pub fn sheet_tabs(&self) -> usize {
        if !self.clearing.is_empty() {
            return 0;
        }
        self.paths
            .iter()
            .filter(|p| p.kind == CutKind::Sheet)
            .count()
    }

    /// Middles of the holding tabs, between the cuts of the sheet's outline.
    pub fn tabs_mm(&self) -> Vec<[f64; 2]> {
        let cuts: Vec<&[[f64; 2]]> = self
            .paths
            .iter()
            .filter(|p| p.kind == CutKind::Sheet && p.points.len() > 1)
            .map(|p| p.points.as_slice())
            .collect();
        (0..cuts.len())
            .map(|i| {
                let (a, b) = (cuts[i][cuts[i].len() - 1], cuts[(i + 1) % cuts.len()][0]);
                [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
            })
            .collect()
    }

    /// Power of a path, percent of the rated power.
    pub fn power_percent(&self, path: u32) -> f64 {
        self.paths[path as usize]
            .power_percent
            .unwrap_or(self.settings.power_percent)
    }
    /// Speed of a path.
    pub fn speed_mm_s(&self, path: u32) -> f64 {
        self.paths[path as usize]
            .cut_speed_mm_s
            .unwrap_or(self.settings.cut_speed_mm_s)
    }

    /// The plan as motion over time. Lengths are as on the foil (before `scale_x`, `scale_y` are applied).
    pub fn motion(&self) -> Motion {
        let s = &self.settings;
        let mut motion = Motion {
            sheet_mm: self.sheet_mm,
            ..Motion::default()
        };
        let (mut t, mut at) = (0.0, None::<[f64; 2]>);
        for step in &self.steps {
            match step {
                Step::Jump { to } => {
                    let d = at.map_or(0.0, |p| distance(p, *to));
                    t += d / s.jump_speed_mm_s + s.jump_settle_ms * 1e-3;
                    at = Some(*to);
                }
                Step::Cut {
                    path,
                    pass,
                    from_mm,
                    to_mm,
                    ..
                } => {
                    let burn = Burn {
                        points: self.cut_points(*path, *from_mm, *to_mm).into_owned(),
                        start_s: t,
                        speed_mm_s: self.speed_mm_s(*path),
                        power_w: s.rated_power_w * self.power_percent(*path) / 100.0,
                        path: *path,
                        pass: *pass,
                    };
                    t = burn.end_s();
                    at = burn.points.last().copied().or(at);
                    motion.burns.push(burn);
                }
                Step::Dwell { seconds, .. } => {
                    motion.dwells.push((t, *seconds));
                    t += seconds;
                }
            }
        }
        motion.end_s = t;
        motion
    }
}
