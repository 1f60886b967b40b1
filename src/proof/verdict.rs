//! Verdict: the as-cut foil of a job against the drawing.

use super::bars::Bar;
use super::edges::{self, Limits, RingResult, SEARCH_UM};
use super::foil::{self, LoosePiece};
use super::sheet::Outline;
use super::ways::{cut_segments, rings, to_page};
use super::{Fault, Faults, LISTED_PER_CODE, ReadJob, count, order};
use crate::artwork::Layer;
use crate::finding::Finding;
use crate::grid::{Grid, Segment};
use crate::motion::Burn;
use crate::recipe::Recipe;
use crate::regions::{Point, Regions};
use crate::units::trim_number;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// The foil as the job leaves it.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct AsCut {
    /// Openings of the drawing, and those that the job opens.
    pub openings_drawn: usize,
    pub openings_cut: usize,
    /// Pieces that fall out as they should.
    pub slugs: usize,
    pub loose: Vec<LoosePiece>,
    pub bars: Vec<Bar>,
    pub narrowest_bar_um: Option<f64>,
    /// Holding tabs of a cut-out sheet, and the distance of its as-cut edge from the sheet's.
    pub tabs: Vec<Bar>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outline_error_max_um: Option<f64>,
    /// Narrowest foil between openings, and where; nothing when all are wider than searched.
    pub narrowest_web_um: Option<f64>,
    pub narrowest_web_mm: Option<[f64; 2]>,
    /// Webs wider than this are not measured.
    pub web_searched_um: f64,
    /// Distance of the as-cut edge from the drawn one, rounded corners and bars aside.
    pub edge_error_max_um: f64,
    pub edge_error_rms_um: f64,
    /// Corners of openings that a round beam leaves rounded.
    pub rounded_corners: usize,
    pub cut_length_mm: f64,
    pub beam_on_s: f64,
    pub dwell_s: f64,
    pub job_s: f64,
    pub scan_line_um: f64,
}

/// What the proof says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Verdict {
    /// No fault that blocks.
    pub passed: bool,
    pub findings: Vec<Fault>,
    /// How often each code came up, also where not every case is listed.
    pub counts: BTreeMap<String, usize>,
    pub as_cut: AsCut,
}

/// Compares the job with the drawn layer.
///
/// `sheet_mm` is the sheet in page coordinates (y down): x min, y min, x max, y max. Kerf, passes, limits
/// and tie bars are those of the recipe.
pub fn prove(job: &ReadJob, layer: &Layer, sheet_mm: [f64; 4], recipe: &Recipe) -> Verdict {
    let mut proof = Proof::new(job, &layer.openings, sheet_mm, recipe);
    proof.max_bar_um = 1.5
        * layer
            .elements
            .iter()
            .filter_map(|e| e.ties.width_um)
            .chain(layer.tie_lines.iter().filter_map(|t| t.width_um))
            .fold(recipe.tie_bars.width_um, f64::max);
    proof.run(layer)
}

/// The part of the proof that is about what a job says of itself and about its order, for a job whose ways
/// were proved in another file: faults of the reader, settings, sheet, order.
pub fn prove_statements(job: &ReadJob, sheet_mm: [f64; 4], recipe: &Recipe) -> Faults {
    let bare = ReadJob {
        stated: job.stated.clone(),
        counted: job.counted.clone(),
        faults: job.faults.clone(),
        ..ReadJob::default()
    };
    let mut proof = Proof::new(&bare, &Regions::new(), sheet_mm, recipe);
    proof.sheet();
    proof.settings();
    count::check(job, &mut proof.faults);
    order::check(job, &mut proof.faults);
    proof.faults
}

/// Places along the drawn edges, page millimetres, with their distance from the nearest way of the beam in
/// micrometres, where it is half a kerf to within the limit: the as-cut edge as the proof sees it.
pub fn edge_distances(
    job: &ReadJob,
    layer: &Layer,
    sheet_mm: [f64; 4],
    recipe: &Recipe,
) -> Vec<[f64; 3]> {
    let proof = Proof::new(job, &layer.openings, sheet_mm, recipe);
    let reach = proof.limits.radius_um + proof.limits.limit_um;
    proof
        .rings
        .iter()
        .flatten()
        .filter_map(|edge| {
            let p = edge.at(0.5);
            let (_, _, distance_um) = proof.cut.nearest(p, reach)?;
            Some([p[0] / 1e3, p[1] / 1e3, distance_um])
        })
        .collect()
}

/// A place on the grid of the drawing, kept within what that holds.
pub(super) fn nm(at_um: [f64; 2]) -> Point {
    let [x, y] = at_um.map(|v| (v * 1e3).clamp(-1e9, 1e9) as i32);
    Point::new(x, y)
}

/// Foil of the minimum web to within this and the edge error is a speck: a core of less than a square micrometre holds
/// no bar, and a disc of that is so wide.
const CORE_UM: f64 = 1.13;

/// A cut begins at most so far from the edge that it follows, micrometres: a run-in away. And jumps without a cut that are
/// kept: a job of more of them is no job.
const GONE_UM: f64 = 300.0;
const MOST_IDLE: usize = 64;

pub(super) struct Proof<'a> {
    pub(super) job: &'a ReadJob,
    pub(super) recipe: &'a Recipe,
    pub(super) sheet_um: [f64; 4],
    pub(super) limits: Limits,
    pub(super) max_bar_um: f64,
    pub(super) rings: Vec<Vec<Segment>>,
    /// Shape that each ring belongs to.
    pub(super) shape_of: Vec<usize>,
    pub(super) drawn: Grid,
    pub(super) cut: Grid,
    /// Where jumps end that nothing is cut after, on the page in micrometres, and their lines.
    idle: Vec<([f64; 2], u32)>,
    /// Burns that go a way again.
    pub(super) repeated: BTreeSet<u32>,
    /// Shapes of the drawing with an edge that is not cut.
    pub(super) missed: BTreeSet<usize>,
    /// There are stretches of edges, beyond rounded corners, that are not cut.
    pub(super) hangs: bool,
    /// The sheet's own outline, where the recipe has it cut out.
    pub(super) outline: Option<Outline>,
    pub(super) faults: Faults,
    pub(super) as_cut: AsCut,
}

impl<'a> Proof<'a> {
    fn new(job: &'a ReadJob, openings: &Regions, sheet_mm: [f64; 4], recipe: &'a Recipe) -> Self {
        let radius_um = recipe.kerf.width_um / 2.0;
        let limits = Limits {
            radius_um,
            limit_um: recipe.rules.max_edge_error_um,
            passes: recipe.passes.count,
            web_um: (2.0 * recipe.min_web_um()).clamp(10.0, 400.0),
        };
        let sheet_um = sheet_mm.map(|v| v * 1e3);
        let (rings, shape_of) = rings(openings);
        let cell = 16f64.max(2.0 * radius_um);
        let margin = 200f64.max(4.0 * radius_um);
        let mut box_um = [
            sheet_um[0] - margin,
            sheet_um[1] - margin,
            sheet_um[2] + margin,
            sheet_um[3] + margin,
        ];
        if let Some(b) = openings.bounds() {
            for (d, v) in [b.min.x, b.min.y, b.max.x, b.max.y].into_iter().enumerate() {
                let v = f64::from(v) / 1e3;
                box_um[d] = if d < 2 {
                    box_um[d].min(v)
                } else {
                    box_um[d].max(v)
                };
            }
        }
        let drawn = Grid::new(rings.iter().flatten().copied().collect(), box_um, cell);
        let cut = Grid::new(cut_segments(job, sheet_mm, recipe), box_um, cell);
        let to_page = to_page(job, sheet_mm, recipe);
        let idle = (job.idle.iter().take(MOST_IDLE))
            .map(|&(p, line)| (to_page(p).map(|v| v * 1e3), line))
            .collect();
        Proof {
            job,
            recipe,
            idle,
            sheet_um,
            limits,
            max_bar_um: 1.5 * recipe.tie_bars.width_um,
            rings,
            shape_of,
            drawn,
            cut,
            repeated: BTreeSet::new(),
            missed: BTreeSet::new(),
            hangs: false,
            outline: Outline::new(sheet_um, recipe, box_um),
            faults: job.faults.clone(),
            as_cut: AsCut::default(),
        }
    }

    fn run(mut self, layer: &Layer) -> Verdict {
        self.as_cut.web_searched_um = self.limits.web_um;
        self.time();
        self.sheet();
        self.settings();
        order::check(self.job, &mut self.faults);
        count::check(self.job, &mut self.faults);
        if self.job.motion.burns.is_empty() {
            self.nothing_cut(layer);
        } else {
            self.foil(layer);
        }
        let mut findings = self.faults.listed().to_vec();
        findings.sort_by(|a, b| {
            b.finding
                .severity
                .cmp(&a.finding.severity)
                .then(a.line.unwrap_or(u32::MAX).cmp(&b.line.unwrap_or(u32::MAX)))
        });
        Verdict {
            passed: !self.faults.any_blocking(),
            findings,
            counts: self.faults.counts().clone(),
            as_cut: self.as_cut,
        }
    }

    /// All that is drawn is still closed.
    fn nothing_cut(&mut self, layer: &Layer) {
        let end = Some(self.job.last_line).filter(|&n| n > 0);
        self.faults
            .push(Finding::blocking("no-cut", "the job cuts nothing"), end);
        self.as_cut.openings_drawn = layer.openings.len();
        let mut told = BTreeSet::new();
        for ring in 0..self.rings.len() {
            let Some(first) = self.rings[ring].first() else {
                continue;
            };
            let at = first.at(0.5);
            if !told.insert(self.shape_of[ring]) {
                continue;
            }
            let closed = Finding::blocking("not-opened", "this opening is not cut");
            // More are only counted.
            if told.len() <= LISTED_PER_CODE {
                self.fault(layer, at, closed, None);
            } else {
                self.faults.push(closed, None);
            }
        }
    }

    /// The foil as it comes out, against the drawing.
    fn foil(&mut self, layer: &Layer) {
        let results = edges::measure(&self.rings, &self.drawn, &self.cut, self.limits);
        self.errors(&results);
        self.uncovered(&results, layer);
        self.over(&results, layer);
        self.repeats();
        self.pass_counts(&results, layer);
        self.inner_passes(layer);
        self.web();
        self.stray();
        if let Some(outline) = self.outline.take() {
            outline.check(self, layer);
            self.outline = Some(outline);
        }
        self.flood(layer);
    }

    fn time(&mut self) {
        let m = &self.job.motion;
        self.as_cut.cut_length_mm = m
            .burns
            .iter()
            .map(crate::motion::Burn::length_mm)
            .sum::<f64>()
            + 0.0;
        self.as_cut.beam_on_s = m
            .burns
            .iter()
            .map(|b| b.length_mm() / b.speed_mm_s)
            .sum::<f64>()
            + 0.0;
        self.as_cut.dwell_s = m.dwells.iter().map(|d| d.1).sum::<f64>() + 0.0;
        self.as_cut.job_s = m.end_s;
    }

    /// The sheet the file states against the drawing's.
    fn sheet(&mut self) {
        let s = self.sheet_um;
        let Some(own) = self.job.sheet_mm() else {
            return;
        };
        let (w, h) = ((own[2] - own[0]) * 1e3, (own[3] - own[1]) * 1e3);
        if (w - (s[2] - s[0])).abs() > 1.0 || (h - (s[3] - s[1])).abs() > 1.0 {
            self.faults.push(
                Finding::blocking(
                    "sheet-differs",
                    format!(
                        "the job's sheet is {:.3} x {:.3} mm; the drawing's is {:.3} x {:.3} mm",
                        w / 1e3,
                        h / 1e3,
                        (s[2] - s[0]) / 1e3,
                        (s[3] - s[1]) / 1e3
                    ),
                )
                .hint("give the --sheet and --width that the job was made with"),
                None,
            );
        }
    }

    /// What the file states against what the recipe says.
    fn settings(&mut self) {
        let mut differs = |key: &str, now: f64, what: &str| {
            if let Some(stated) = self.job.number(key)
                && (stated - now).abs() > 1e-4 * now.abs().max(1.0)
            {
                self.faults.push(
                    Finding::blocking(
                        "settings-differ",
                        format!("the job states {key} {stated}; the recipe says {now}"),
                    )
                    .hint(what),
                    None,
                );
            }
        };
        let r = self.recipe;
        differs(
            "kerf_um",
            r.kerf.width_um,
            "prove it with the recipe it was made for, or --kerf",
        );
        differs(
            "passes",
            f64::from(r.passes.count),
            "prove it with the recipe it was made for, or --passes",
        );
        differs(
            "power_full_scale",
            r.rs274.power_full_scale,
            "the dialects differ: so would the power",
        );
        differs("scale_x", r.scan.scale_x, "the measured scales differ");
        differs("scale_y", r.scan.scale_y, "the measured scales differ");
        let side = r.sheet.laser_side.word();
        for (key, now) in [
            ("laser_side", side),
            ("dwell_unit", r.rs274.dwell_unit.word()),
        ] {
            if let Some(stated) = self.job.stated.get(key)
                && stated != now
            {
                self.faults.push(
                    Finding::blocking(
                        "settings-differ",
                        format!("the job states {key} {stated}; the recipe says {now}"),
                    ),
                    None,
                );
            }
        }
        let asked_mm_s = r.scan.cut_speed_mm_s;
        let off = |b: &&Burn| (b.speed_mm_s - asked_mm_s).abs() > 0.01 * asked_mm_s;
        let burns = self.job.motion.burns.iter();
        if let Some((i, b)) = burns.enumerate().find(|(_, b)| off(b)) {
            self.faults.push(
                Finding::warning(
                    "speed-differs",
                    format!(
                        "cut at {} mm/s; the recipe says {} mm/s, and its kerf holds for that",
                        trim_number(b.speed_mm_s, 3),
                        trim_number(asked_mm_s, 3)
                    ),
                ),
                self.job.line(i, 0),
            );
        }
        for (i, b) in self.job.motion.burns.iter().enumerate() {
            if b.power_w > 0.0 && (b.power_w - r.power_w()).abs() > 0.01 * r.power_w() {
                self.faults.push(
                    Finding::warning(
                        "power-differs",
                        format!(
                            "cut at {:.3} W; the recipe says {:.3} W",
                            b.power_w,
                            r.power_w()
                        ),
                    ),
                    self.job.line(i, 0),
                );
                break;
            }
        }
    }

    fn errors(&mut self, results: &[RingResult]) {
        let n: u64 = results.iter().map(|r| u64::from(r.samples)).sum();
        let sum: f64 = results.iter().map(|r| r.sum_sq).sum();
        self.as_cut.edge_error_rms_um = if n > 0 { (sum / n as f64).sqrt() } else { 0.0 };
        self.as_cut.edge_error_max_um = results.iter().map(|r| r.worst).fold(0.0, f64::max);
    }

    pub(super) fn fault(
        &mut self,
        layer: &Layer,
        at_um: [f64; 2],
        finding: Finding,
        line: Option<u32>,
    ) {
        let mut finding = finding
            .at(at_um[0] / 1e3, at_um[1] / 1e3)
            .layer(&layer.name);
        let at = nm(at_um);
        if let Some(e) = layer.element_at(at.x, at.y) {
            finding = finding.element(&e.id);
        }
        self.faults.push(finding, line);
    }

    /// Line of the cut nearest to a place.
    pub(super) fn line_near(&self, p: [f64; 2]) -> Option<u32> {
        let (s, _, _) = self.cut.nearest(p, self.limits.radius_um + SEARCH_UM)?;
        self.job.line(s.owner as usize, s.index as usize)
    }

    /// The line of a jump to where a part of a drawn ring, from one length along it to another, should be cut from: the cut
    /// after it is missing.
    pub(super) fn line_gone(&self, ring: usize, from_um: f64, to_um: f64) -> Option<u32> {
        let part = |s: &&Segment| s.at_um + s.length() >= from_um && s.at_um <= to_um;
        let away = |p: [f64; 2]| {
            let near = self.rings[ring].iter().filter(part).map(|s| s.nearest(p).1);
            near.fold(f64::INFINITY, f64::min)
        };
        (self.idle.iter())
            .map(|&(p, line)| (away(p), line))
            .filter(|(away, _)| *away <= GONE_UM)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, line)| line)
            .or_else(|| count::line_of_lost(self.job))
    }

    fn web(&mut self) {
        let narrowest = edges::narrowest_web(&self.rings, &self.drawn, self.limits.web_um);
        if let Some((drawn_um, p, q)) = narrowest {
            // As cut: each side where the cut really is.
            let left = |p| {
                let r = self.limits.radius_um;
                self.cut.nearest(p, r + SEARCH_UM).map_or(0.0, |n| n.2 - r)
            };
            self.as_cut.narrowest_web_um = Some(drawn_um + left(p) + left(q));
            self.as_cut.narrowest_web_mm = Some([(p[0] + q[0]) / 2e3, (p[1] + q[1]) / 2e3]);
        }
    }

    fn flood(&mut self, layer: &Layer) {
        let l = self.limits;
        if l.radius_um < 0.25 {
            return;
        }
        let foil = foil::flood(
            &self.cut.segments,
            &self.drawn.segments,
            self.sheet_um,
            l.radius_um,
            foil::Widths {
                solid_um: self.recipe.min_web_um() + CORE_UM + l.limit_um,
                slug_um: self.recipe.min_slug_um(),
                bar_um: self.max_bar_um,
                limit_um: l.limit_um,
                hangs: self.hangs,
            },
        );
        let Some(foil) = foil else {
            let finding = Finding::blocking(
                "foil-unchecked",
                "too many long cuts to tell what of the foil they part: that was not looked at",
            )
            .hint("look whether the job is the one meant; prove it in parts if it is");
            self.faults.push(finding, None);
            return;
        };
        self.as_cut.slugs = foil.slugs;
        self.as_cut.scan_line_um = foil.line_um;
        for p in &foil.stuck {
            let at = p.at_mm.map(|v| v * 1e3);
            let line = self.line_near(at);
            let finding = Finding::blocking(
                "slug-sticks",
                format!(
                    "a slug of {:.0} x {:.0} um, nowhere as wide as min_slug_um, is left in an opening: so small a slug sticks",
                    p.width_um, p.height_um
                ),
            )
            .hint("openings as narrow as that are cleared whole; a stroke of the clearing is missing");
            self.fault(layer, at, finding, line);
        }
        self.attached(&foil.attached, layer);
        for p in &foil.pieces {
            let at = p.at_mm.map(|v| v * 1e3);
            // What the chamfer of a cut-out sheet leaves behind belongs to the foil around it.
            if p.from_edge && self.outline.as_ref().is_some_and(|o| !o.holds(at)) {
                continue;
            }
            let line = self.line_near(at);
            let (code, message) = if p.from_edge {
                ("sheet-divided", "the sheet is cut in two".to_owned())
            } else {
                (
                    "foil-loose",
                    format!(
                        "foil of {:.0} x {:.0} um that is to stay falls out",
                        p.width_um, p.height_um
                    ),
                )
            };
            let finding = if p.speck {
                Finding::warning("speck-loose", message)
            } else {
                Finding::blocking(code, message)
            };
            self.faults.push(finding.at(p.at_mm[0], p.at_mm[1]), line);
        }
        self.as_cut.loose = foil.pieces;
        if let Some(o) = &self.outline {
            self.as_cut
                .loose
                .retain(|p| !p.from_edge || o.holds(p.at_mm.map(|v| v * 1e3)));
        }
    }
}
