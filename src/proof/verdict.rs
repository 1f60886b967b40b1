//! Verdict: the as-cut foil of a job against the drawing.

use super::bars::{self, Bar};
use super::edges::{self, Limits, RingResult, SEARCH_UM, Stretch};
use super::foil::{self, LoosePiece};
use super::sheet::Outline;
use super::ways::{cut_segments, rings};
use super::{Fault, Faults, ReadJob, order, webs};
use crate::artwork::Layer;
use crate::finding::Finding;
use crate::grid::{Grid, Segment};
use crate::motion::Burn;
use crate::recipe::Recipe;
use crate::regions::Regions;
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
        faults: job.faults.clone(),
        ..ReadJob::default()
    };
    let mut proof = Proof::new(&bare, &Regions::new(), sheet_mm, recipe);
    proof.sheet();
    proof.settings();
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

fn attached(length_um: f64) -> Finding {
    Finding::blocking(
        "cut-open",
        format!("{length_um:.1} um of this edge are not cut: the piece inside stays attached"),
    )
    .measured(length_um, 0.0)
}

pub(super) struct Proof<'a> {
    pub(super) job: &'a ReadJob,
    pub(super) recipe: &'a Recipe,
    pub(super) sheet_um: [f64; 4],
    pub(super) limits: Limits,
    max_bar_um: f64,
    pub(super) rings: Vec<Vec<Segment>>,
    /// Shape that each ring belongs to.
    shape_of: Vec<usize>,
    pub(super) drawn: Grid,
    pub(super) cut: Grid,
    /// Burns that go a way again.
    pub(super) repeated: BTreeSet<u32>,
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
        Proof {
            job,
            recipe,
            sheet_um,
            limits,
            max_bar_um: 1.5 * recipe.tie_bars.width_um,
            rings,
            shape_of,
            drawn,
            cut,
            repeated: BTreeSet::new(),
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
        let results = edges::measure(&self.rings, &self.drawn, &self.cut, self.limits);
        self.errors(&results);
        self.uncovered(&results, layer);
        self.over(&results, layer);
        self.repeats();
        self.pass_counts(&results, layer);
        self.web();
        self.stray();
        if let Some(outline) = self.outline.take() {
            outline.check(&mut self, layer);
            self.outline = Some(outline);
        }
        self.flood();
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
        if m.burns.is_empty() {
            self.faults
                .push(Finding::blocking("no-cut", "the job cuts nothing"), None);
        }
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
        for b in &self.job.motion.burns {
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
                    None,
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
        let clamp = |v: f64| (v * 1e3).clamp(-1e9, 1e9) as i32;
        if let Some(e) = layer.element_at(clamp(at_um[0]), clamp(at_um[1])) {
            finding = finding.element(&e.id);
        }
        self.faults.push(finding, line);
    }

    /// Line of the cut nearest to a place.
    pub(super) fn line_near(&self, p: [f64; 2]) -> Option<u32> {
        let (s, _, _) = self.cut.nearest(p, self.limits.radius_um + SEARCH_UM)?;
        self.job.line(s.owner as usize, s.index as usize)
    }

    /// Metal left at the drawn edge: rounded corners, bars, or faults.
    fn uncovered(&mut self, results: &[RingResult], layer: &Layer) {
        let l = self.limits;
        // What is within the limit of a cut that ran elsewhere, as in a fold of the drawn edge, is met.
        let all: Vec<Stretch> = results
            .iter()
            .flat_map(|r| r.uncovered.iter().copied())
            .filter(|s| s.slit || s.reachable && s.distance_um > l.radius_um + l.limit_um)
            .collect();
        self.as_cut.rounded_corners = results
            .iter()
            .flat_map(|r| &r.uncovered)
            .filter(|s| !s.reachable && !s.slit)
            .count();
        let span_um = self.recipe.tie_bars.max_span_mm.max(1.0) * 1e3;
        let min_web = self.recipe.min_web_um();
        let widths = webs::Widths {
            radius_um: l.radius_um,
            min_web_um: min_web,
            max_bar_um: self.max_bar_um,
        };
        let missed = |r: &RingResult| {
            let length: f64 = r.uncovered.iter().map(Stretch::length_um).sum();
            !r.uncovered.is_empty() && length >= 0.99 * r.length_um
        };
        // Foil in openings that bars run over.
        let buried: Vec<bool> = results
            .iter()
            .enumerate()
            .map(|(i, r)| {
                let hole = i > 0 && self.shape_of[i - 1] == self.shape_of[i];
                hole && missed(r) && webs::is_buried(&self.rings[i], &self.cut, widths)
            })
            .collect();
        let mut used = vec![false; all.len()];
        let mut bars = Vec::new();
        let mut note = |used: &mut bool, bar: Option<Bar>| {
            *used |= bar.is_some();
            bars.extend(bar);
        };
        for (s, used) in all.iter().zip(&mut used) {
            let ring = &self.rings[s.ring as usize];
            note(used, webs::widened(s, ring, &self.drawn, &self.cut, widths));
        }
        let found = bars::find(
            &all,
            (&self.rings, &self.drawn, &buried),
            &self.cut,
            l.radius_um,
            self.max_bar_um,
            span_um,
            &mut used,
        );
        // A bar over a lead narrower than the beam leaves edges that no beam would meet anyway.
        let unmet: Vec<Stretch> = (results.iter().flat_map(|r| r.uncovered.iter().copied()))
            .filter(|s| !s.reachable && !s.slit && s.length_um() > 2.0 * l.radius_um)
            .collect();
        let over_leads = bars::find(
            &unmet,
            (&self.rings, &self.drawn, &buried),
            &self.cut,
            l.radius_um,
            self.max_bar_um,
            span_um,
            &mut vec![false; unmet.len()],
        );
        for (bar, _) in over_leads {
            note(
                &mut false,
                (bar.width_um >= min_web - l.limit_um).then_some(bar),
            );
        }
        // A bar accounts for no more of an edge than it is wide.
        let mut ends: BTreeMap<usize, Vec<&Bar>> = BTreeMap::new();
        for (bar, at) in &found {
            note(&mut false, Some(*bar));
            for k in at {
                ends.entry(*k).or_default().push(bar);
            }
        }
        let half_um = self.max_bar_um / 2.0 + 2.0 * l.radius_um;
        let beside: Vec<(usize, (f64, f64))> = ends
            .into_iter()
            .flat_map(|(k, bars)| {
                let ring = &self.rings[all[k].ring as usize];
                let rest = bars::beside(&all[k], ring, &bars, half_um, 2.0 * l.radius_um.max(1.0));
                rest.into_iter().map(move |part| (k, part))
            })
            .collect();
        for (s, used) in all.iter().zip(&mut used).filter(|(_, used)| !**used) {
            let ring = &self.rings[s.ring as usize];
            note(
                used,
                webs::across_throat(s, ring, &self.drawn, &self.cut, widths),
            );
        }
        for bar in &bars {
            if bar.width_um < min_web - l.limit_um {
                let at = bar.from_mm.map(|v| v * 1e3);
                let line = self.line_near(at);
                self.fault(
                    layer,
                    at,
                    Finding::blocking(
                        "bar-narrow",
                        format!(
                            "a tie bar is {:.2} um wide; it takes {min_web:.2} um to hold",
                            bar.width_um
                        ),
                    )
                    .measured(bar.width_um, min_web),
                    line,
                );
            }
        }
        if let Some(stated) = self.job.number("tie_bars")
            && stated > bars.len() as f64
        {
            self.faults.push(
                Finding::blocking(
                    "bar-missing",
                    format!("the job states {stated} tie bars; {} are left", bars.len()),
                )
                .hint("a bar was cut away: what it held may hang on too few"),
                None,
            );
        }
        self.as_cut.narrowest_bar_um = bars.iter().map(|b| b.width_um).min_by(f64::total_cmp);
        self.as_cut.bars = bars;
        let mut unopened = vec![false; layer.openings.len()];
        // A ring met nowhere although no round beam fits: a line or a sliver that was not cut.
        for (i, r) in results.iter().enumerate() {
            if !missed(r) {
                continue;
            }
            let shape = self.shape_of[i];
            for (u, s) in used.iter_mut().zip(&all) {
                *u |= s.ring as usize == i;
            }
            if buried[i] {
                continue;
            }
            if std::mem::replace(&mut unopened[shape], true) {
                continue;
            }
            let s = r.uncovered[0];
            if r.uncovered.iter().any(|s| s.reachable) {
                let near = s.distance_um <= l.radius_um + 3.0 * self.recipe.kerf.width_um.max(1.0);
                let line = self.line_near(s.at);
                if near {
                    self.short(layer, &s, line);
                } else {
                    self.fault(
                        layer,
                        s.at,
                        Finding::blocking(
                            "not-opened",
                            "this opening is not cut: no cut runs along its edge",
                        ),
                        line,
                    );
                }
            } else if self.wide_sliver(&s) {
                self.fault(
                    layer,
                    s.at,
                    Finding::blocking("not-opened", "this line is drawn and not cut"),
                    None,
                );
            } else {
                self.fault(
                    layer,
                    s.at,
                    Finding::note(
                        "sliver-left",
                        "a sliver far narrower than the kerf is left out",
                    ),
                    None,
                );
            }
        }
        self.as_cut.openings_drawn = layer.openings.len();
        self.as_cut.openings_cut = unopened.iter().filter(|u| !**u).count();
        for (k, (from, to)) in beside {
            let ring = &self.rings[all[k].ring as usize];
            let part = Stretch {
                from_um: from,
                to_um: to,
                ..all[k]
            };
            // Another bar may run on along a web there.
            if webs::widened(&part, ring, &self.drawn, &self.cut, widths).is_some() {
                continue;
            }
            let at = edges::place(ring, (from + to) / 2.0).0;
            let line = self.line_near(at);
            self.fault(layer, at, attached(to - from), line);
        }
        let span = (self.max_bar_um, span_um);
        let around = (&self.rings[..], &self.drawn, &buried[..]);
        for (at, through) in bars::severed(&all, around, &self.cut, span, &mut used) {
            let line = (self.job).line(through.owner as usize, through.index as usize);
            let finding = Finding::blocking(
                "bar-cut",
                "a tie bar is cut through: what it is to hold falls out or hangs loose",
            );
            self.fault(layer, at, finding, line);
        }
        for (s, used) in all.iter().zip(&used) {
            if *used {
                continue;
            }
            let line = self.line_near(s.at);
            if s.slit && !s.reachable {
                self.fault(
                    layer,
                    s.at,
                    Finding::blocking(
                        "not-opened",
                        "a part of this opening, narrower than the kerf, is drawn and not cut",
                    )
                    .measured(s.length_um(), 0.0),
                    line,
                );
            } else if s.distance_um <= 2.0 * l.radius_um + 5.0 || self.cut_in_front(s) {
                self.short(layer, s, line);
            } else {
                self.fault(layer, s.at, attached(s.length_um()), line);
            }
        }
    }

    /// Whether a cut runs past the stretch, though too far from it.
    fn cut_in_front(&self, s: &Stretch) -> bool {
        let ring = &self.rings[s.ring as usize];
        let far = self.limits.radius_um + SEARCH_UM;
        [0.25, 0.5, 0.75].into_iter().all(|t| {
            let (p, inward) = edges::place(ring, s.from_um + t * s.length_um());
            webs::first_crossing(p, inward, far, &self.cut, |_| true).is_some()
        })
    }

    pub(super) fn short(&mut self, layer: &Layer, s: &Stretch, line: Option<u32>) {
        let error = s.distance_um - self.limits.radius_um;
        self.as_cut.edge_error_max_um = self.as_cut.edge_error_max_um.max(error);
        self.fault(
            layer,
            s.at,
            Finding::blocking(
                "edge-short",
                format!(
                    "metal is left up to {error:.2} um inside the drawn edge, over a length of {:.1} um",
                    s.length_um()
                ),
            )
            .measured(error, self.limits.limit_um),
            line,
        );
    }

    /// Whether an opening is at least a fifth of the kerf wide at one of some places along `s`.
    fn wide_sliver(&self, s: &Stretch) -> bool {
        let ring = &self.rings[s.ring as usize];
        (0..32).any(|k| {
            let at = s.from_um + s.length_um() * (f64::from(k) + 0.5) / 32.0;
            let (p, inward) = edges::place(ring, at);
            edges::room(p, inward, self.limits.radius_um * 0.2, &self.drawn)
        })
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

    fn flood(&mut self) {
        let l = self.limits;
        if l.radius_um < 0.25 {
            return;
        }
        let foil = foil::flood(
            &self.cut.segments,
            &self.drawn.segments,
            self.sheet_um,
            l.radius_um,
            self.recipe.min_web_um(),
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
