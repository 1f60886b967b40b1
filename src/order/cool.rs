//! Cool order: each cut where the foil has cooled, at little travel.
//!
//! A base sequence spreads the cuts over the sheet (a golden stride along a Hilbert curve). From a window of
//! its next visits the nearest one is taken (late ones count as nearer) whose place is at or below a limit, now
//! and by the end of the visit; failing that, a pause with the beam off.

use super::bites::{Beside, bites};
use super::nest::Nest;
use super::{Visit, stagger_mm};
use crate::finding::{Checked, Finding};
use crate::heat::{Fineness, Foil, Load, PlanSheet, Trace, fitting_mm, spacing_mm};
use crate::hilbert;
use crate::kerf::CutPath;
use crate::polyline::{self, distance, parts_of};
use crate::recipe::{Recipe, Scheme};
use crate::units::trim_number;
use std::collections::BinaryHeap;

/// Visits looked ahead, at most; at the end a share of those left, but never fewer than some.
const WINDOW: usize = 256;
const END_SHARE: usize = 4;
const END_WINDOW: usize = 16;
const SAMPLE_MM: f64 = 0.25;
const DWELL_S: f64 = 1e-3;
/// The limit is planned for with this much to spare: the planning sheet sees peaks lower than a finer one does.
const PLAN_MARGIN: f64 = 0.9;
/// A visit that is late by a whole pass is worth a jump longer by this share of the sheet's side: places that
/// are hard to keep cool would otherwise be left for the end, where they have no other cuts between them.
const LATE_SHARE: f64 = 0.1;
/// Joins keep off metal narrower than this many tie bars.
const NARROW_BARS: f64 = 1.5;
/// Steps of the even spread, in time constants.
const EVEN_STEP: f64 = 0.05;
/// Cells that all cuts together may note for each of them to be warmed in each step; beyond, their sum is.
const MOST_NOTED: usize = 300_000;

/// A part of a path that is cut in one go.
struct Bite {
    path: u32,
    from_mm: f64,
    to_mm: f64,
    start: [f64; 2],
    end: [f64; 2],
    /// First of its samples; the next bite's first is the end.
    first_sample: usize,
    /// Time of one pass, s.
    time_s: f64,
    trace: Trace,
}

/// What the schedule is made from.
struct Planner<'a> {
    paths: &'a [CutPath],
    recipe: &'a Recipe,
    bites: Vec<Bite>,
    /// Places along the bites, in cells of the sheet.
    samples: Vec<[f32; 2]>,
    sheet: PlanSheet,
    nest: Nest,
    /// Passes made in one visit: one, or all when they are made in place.
    passes_per_visit: u32,
    rounds: u32,
    watt: f64,
    tau_s: f64,
    /// What a whole pass of lateness is worth in a jump's length.
    late_mm: f64,
}

/// An order and what the planner saw of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Schedule {
    pub visits: Vec<Visit>,
    /// Rise that no cut is to start above.
    pub limit_k: f64,
}

/// Orders the cuts of `paths` so that each starts where the foil has cooled. `sheet_mm` is the sheet in the
/// coordinates of the paths.
///
/// Every bite is cut once in every pass. In every pass an inner path is finished before the path it names
/// as parent. Dwells have the beam off and say why. The limit is `heat.limit_k`, or else [`even_limit_k`].
pub fn schedule(paths: &[CutPath], recipe: &Recipe, sheet_mm: [f64; 4]) -> Checked<Schedule> {
    let mut planner = Planner::new(paths, recipe, sheet_mm);
    let limit_k = recipe
        .heat
        .limit_k
        .unwrap_or_else(|| planner.even_limit_k());
    let run = planner.run((PLAN_MARGIN * limit_k) as f32);
    let dwell_s = run.dwell_s;
    let mut findings = Vec::new();
    let job_s = planner.sequence_time_s();
    if dwell_s > 0.05 * job_s {
        findings.push(
            Finding::note(
                "cool-dwells",
                format!(
                    "the foil needs {} s of pauses to stay below {} K where a cut starts",
                    trim_number(dwell_s, 1),
                    trim_number(limit_k, 1)
                ),
            )
            .hint("raise heat.limit_k to trade heat for time, or lower the power"),
        );
    }
    let schedule = Schedule {
        visits: run.visits,
        limit_k,
    };
    Checked::new(schedule, findings)
}

/// The rise (K) that no order goes much below: the hottest place along the paths if the job's heat came
/// evenly in time everywhere. Relative to the slide.
pub fn even_limit_k(paths: &[CutPath], recipe: &Recipe, sheet_mm: [f64; 4]) -> f64 {
    Planner::new(paths, recipe, sheet_mm).even_limit_k()
}

impl<'a> Planner<'a> {
    fn new(paths: &'a [CutPath], recipe: &'a Recipe, sheet_mm: [f64; 4]) -> Planner<'a> {
        let foil = Foil::new(recipe);
        let in_place = recipe.passes.scheme == Scheme::InPlace;
        let passes = recipe.passes.count;
        let passes_per_visit = if in_place { passes } else { 1 };
        let [bite_mm, overlap_mm] = [recipe.heat.bite_mm, recipe.run_in_um() * 1e-3];
        let any_joins = !in_place && paths.iter().any(|p| p.length_mm() > bite_mm);
        let beside = Beside::new(
            if any_joins { paths } else { &[] },
            NARROW_BARS * recipe.tie_bars.width_um.max(1.0),
        );
        let parts: Vec<Vec<[f64; 2]>> = (0u32..)
            .zip(paths)
            .map(|(number, path)| {
                if in_place {
                    vec![[0.0, path.length_mm()]]
                } else {
                    bites(path, number, &beside, bite_mm, overlap_mm)
                }
            })
            .collect();
        let length: f64 = paths.iter().map(CutPath::length_mm).sum();
        let count = parts.iter().map(Vec::len).sum::<usize>().max(1) as f64;
        let scan = &recipe.scan;
        let load = Load {
            area_mm2: ((sheet_mm[2] - sheet_mm[0]) * (sheet_mm[3] - sheet_mm[1])).abs(),
            visits: count * f64::from(passes / passes_per_visit),
            visit_s: length / count / scan.cut_speed_mm_s * f64::from(passes_per_visit)
                + scan.jump_settle_ms * 1e-3,
            settle_s: scan.jump_settle_ms * 1e-3,
            spacing_mm: spacing_mm(paths.iter().map(|p| p.points.as_slice())),
        };
        let mut fineness = Fineness::choose(&load, &foil);
        fineness.cell_mm = fitting_mm(
            sheet_mm,
            fineness.cell_mm[0],
            paths.iter().map(|p| p.points.as_slice()),
        );
        let mut planner = Planner {
            recipe,
            bites: Vec::with_capacity(count as usize),
            samples: Vec::new(),
            sheet: PlanSheet::new(sheet_mm, &fineness, recipe.kerf.width_um * 1e-3, &foil),
            nest: Nest::default(),
            paths,
            passes_per_visit,
            rounds: if in_place { 1 } else { passes },
            tau_s: foil.tau_s(),
            late_mm: LATE_SHARE * load.area_mm2.sqrt(),
            watt: recipe.power_w() * foil.absorbed,
        };
        let sample_mm = SAMPLE_MM.max(fineness.cell_mm[0] / 2.0);
        for (p, (path, parts)) in paths.iter().zip(&parts).enumerate() {
            for (ends, points) in parts.iter().zip(parts_of(&path.points, parts)) {
                planner.add(p as u32, *ends, &points, sample_mm);
            }
        }
        let path_of: Vec<u32> = planner.bites.iter().map(|b| b.path).collect();
        planner.nest = Nest::new(paths, &path_of);
        planner
    }

    fn add(&mut self, p: u32, [from_mm, to_mm]: [f64; 2], points: &[[f64; 2]], sample_mm: f64) {
        let (Some(&start), Some(&end)) = (points.first(), points.last()) else {
            return;
        };
        let first_sample = self.samples.len();
        let places = along(points, sample_mm);
        self.samples
            .extend(places.into_iter().map(|q| self.sheet.place(q)));
        self.bites.push(Bite {
            path: p,
            from_mm,
            to_mm,
            start,
            end,
            first_sample,
            time_s: (to_mm - from_mm) / self.recipe.scan.cut_speed_mm_s,
            trace: self.sheet.trace(points),
        });
    }

    fn samples_of(&self, b: usize) -> &[[f32; 2]] {
        let end = self
            .bites
            .get(b + 1)
            .map_or(self.samples.len(), |n| n.first_sample);
        &self.samples[self.bites[b].first_sample..end]
    }

    /// Beam-on time and the shortest plausible jumps, s.
    fn sequence_time_s(&self) -> f64 {
        let passes = f64::from(self.recipe.passes.count);
        let beam: f64 = self.bites.iter().map(|b| b.time_s).sum::<f64>() * passes;
        beam + self.bites.len() as f64 * passes * self.recipe.scan.jump_settle_ms * 1e-3
    }

    fn even_limit_k(&mut self) -> f64 {
        let total_s = self.sequence_time_s();
        if total_s <= 0.0 || self.samples.is_empty() {
            return 1.0;
        }
        self.sheet.clear();
        // Long enough to settle: the slowest of loss and job.
        let step_s = EVEN_STEP * self.tau_s;
        let steps = (total_s.min(6.0 * self.tau_s) / step_s).ceil().max(1.0) as usize;
        let share = f64::from(self.recipe.passes.count) * self.watt * step_s / total_s;
        let noted: usize = self.bites.iter().map(|b| b.trace.cells().count()).sum();
        let together = (noted > MOST_NOTED).then(|| {
            let all = self.bites.iter().map(|b| (&b.trace, share * b.time_s));
            self.sheet.warmth(all)
        });
        for _ in 0..steps {
            self.sheet.let_pass(step_s / 2.0);
            match &together {
                Some(warmth) => self.sheet.warm_by(warmth),
                None => {
                    for b in &self.bites {
                        self.sheet.warm(&b.trace, share * b.time_s);
                    }
                }
            }
            self.sheet.let_pass(step_s / 2.0);
        }
        let peak = self
            .samples
            .iter()
            .map(|s| self.sheet.at(*s))
            .fold(0.0f32, f32::max);
        self.sheet.clear();
        f64::from(peak).max(0.1)
    }

    /// Chooses visit after visit.
    fn run(&mut self, limit_k: f32) -> Run {
        let n = self.bites.len();
        let base = base_sequence(&self.bites, &self.nest);
        let total = n * self.rounds as usize;
        let mut out = Vec::with_capacity(total * self.passes_per_visit as usize);
        let mut window: Vec<usize> = (0..total.min(WINDOW)).collect();
        let mut fill = window.len();
        let (mut at, mut dwell_s) = (None::<[f64; 2]>, 0.0);
        while !window.is_empty() {
            let mut ready = Vec::with_capacity(WINDOW);
            // Near the end the window narrows: what is left last stays spread as in the base sequence.
            let left = total - fill + window.len();
            let wide = (left / END_SHARE).clamp(END_WINDOW, WINDOW);
            let made = out.len() / self.passes_per_visit as usize;
            for (w, k) in window.iter().enumerate() {
                if w >= wide && !ready.is_empty() {
                    break;
                }
                let b = base[k % n] as usize;
                if self.nest.ready(self.bites[b].path, b, (k / n) as u32 + 1) {
                    let d = at.map_or(0.0, |p| distance(self.bites[b].start, p));
                    let late = (made as f64 - *k as f64) / n as f64;
                    ready.push(Near(d - self.late_mm * late, w as u32, b as u32));
                }
            }
            let Choice {
                place: w,
                waited_s,
                found_k,
            } = self.next(ready, limit_k);
            let k = window[w];
            let (b, pass) = (base[k % n] as usize, (k / n) as u32 + 1);
            let jump_mm = at.map_or(0.0, |p| distance(self.bites[b].start, p));
            let scan = &self.recipe.scan;
            let jump_s = jump_mm / scan.jump_speed_mm_s + scan.jump_settle_ms * 1e-3;
            for p in pass..pass + self.passes_per_visit {
                let mut visit = self.visit(b, p);
                if p == pass && waited_s > 0.0 {
                    visit.dwell_before_s = waited_s;
                    visit.dwell_reason = format!(
                        "foil at {} K, to start below {} K",
                        trim_number(f64::from(found_k), 1),
                        trim_number(f64::from(limit_k), 1)
                    );
                }
                out.push(visit);
                let bite = &self.bites[b];
                let joule = self.watt * bite.time_s;
                let passes = self.recipe.passes.count;
                let jump_s = if p == pass { jump_s } else { 0.0 };
                self.sheet
                    .cut(&bite.trace, joule, [jump_s, bite.time_s], (p, passes));
            }
            dwell_s += waited_s;
            at = Some(self.bites[b].end);
            self.nest.done(self.bites[b].path, b, pass);
            // Keep the base order in the window: its first visit is never blocked.
            window.remove(w);
            if fill < total {
                window.push(fill);
                fill += 1;
            }
        }
        Run {
            visits: out,
            dwell_s,
        }
    }

    /// The nearest of `ready` that is cool enough; after a pause, if none is.
    fn next(&mut self, ready: Vec<Near>, limit_k: f32) -> Choice {
        let longest_wait_s = 20.0 * self.tau_s;
        let (mut waited_s, mut found_k) = (0.0, 0.0);
        let mut heap = BinaryHeap::from(ready);
        loop {
            let mut coolest = (f32::INFINITY, 0);
            let mut hot = Vec::new();
            while let Some(near) = heap.pop() {
                let enough_k = limit_k.max(coolest.0.min(1e6));
                let b = near.2 as usize;
                let mut rise = self.rise_k(b, enough_k, |s, p, first| s.soon(p, first));
                if rise <= limit_k {
                    // Most pauses are over without a look so far ahead.
                    self.sheet.look_ahead();
                    rise = rise.max(self.rise_k(b, enough_k, |s, p, _| s.ahead(p)));
                }
                if rise <= limit_k {
                    return Choice {
                        place: near.1 as usize,
                        waited_s,
                        found_k,
                    };
                }
                if rise < coolest.0 {
                    coolest = (rise, near.1);
                }
                hot.push(near);
            }
            if waited_s >= longest_wait_s {
                return Choice {
                    place: coolest.1 as usize,
                    waited_s,
                    found_k,
                };
            }
            if waited_s == 0.0 {
                found_k = coolest.0;
            }
            // Loss to the slide alone takes this long; spreading is faster, so that half of it is tried. A long pause
            // is not told to the millisecond.
            let decay_s = self.tau_s * f64::from(libm::logf(coolest.0 / limit_k));
            let wait_s = (0.5 * decay_s).max(waited_s / 8.0) / DWELL_S;
            let wait_s = wait_s.round().clamp(1.0, 1e6) * DWELL_S;
            self.sheet.wait(wait_s);
            waited_s += wait_s;
            heap = BinaryHeap::from(hot);
        }
    }

    /// Highest rise along a bite while it is cut, as `look` tells it for a place and whether the beam comes there
    /// first; stops looking past `enough_k`.
    fn rise_k(
        &self,
        b: usize,
        enough_k: f32,
        look: impl Fn(&PlanSheet, [f32; 2], bool) -> f32,
    ) -> f32 {
        let samples = self.samples_of(b);
        let mut rise = 0.0f32;
        for (n, s) in samples.iter().enumerate() {
            // What is hot now counts where the beam comes first.
            rise = rise.max(look(&self.sheet, *s, 2 * n <= samples.len()));
            if rise > enough_k {
                break;
            }
        }
        rise
    }

    fn visit(&self, b: usize, pass: u32) -> Visit {
        let bite = &self.bites[b];
        let path = &self.paths[bite.path as usize];
        let shift_mm = stagger_mm(path, [bite.from_mm, bite.to_mm], pass, self.recipe);
        Visit {
            path: bite.path,
            pass,
            from_mm: bite.from_mm + shift_mm,
            to_mm: bite.to_mm,
            dwell_before_s: 0.0,
            dwell_reason: String::new(),
        }
    }
}

/// What a schedule came to.
struct Run {
    visits: Vec<Visit>,
    dwell_s: f64,
}

/// The next visit: its place in the window, the pause before it and the rise found before that.
struct Choice {
    place: usize,
    waited_s: f64,
    found_k: f32,
}

/// A visit of the window: distance less what its lateness is worth, place in the window, bite. The greatest is
/// the nearest.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Near(f64, u32, u32);

impl Eq for Near {}
impl Ord for Near {
    fn cmp(&self, other: &Near) -> std::cmp::Ordering {
        other.0.total_cmp(&self.0).then(other.1.cmp(&self.1))
    }
}
impl PartialOrd for Near {
    fn partial_cmp(&self, other: &Near) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

/// Places along a polyline at most `spacing_mm` apart, both ends among them.
fn along(points: &[[f64; 2]], spacing_mm: f64) -> Vec<[f64; 2]> {
    let length = polyline::length(points);
    let count = (length / spacing_mm).ceil().clamp(1.0, 1e6) as usize;
    let step = length / count as f64;
    let mut out = Vec::with_capacity(count + 1);
    let mut at = 0.0;
    for w in points.windows(2) {
        let d = distance(w[0], w[1]);
        while out.len() < count && out.len() as f64 * step <= at + d && d > 0.0 {
            let t = (out.len() as f64 * step - at) / d;
            out.push([
                w[0][0] + t * (w[1][0] - w[0][0]),
                w[0][1] + t * (w[1][1] - w[0][1]),
            ]);
        }
        at += d;
    }
    out.extend(points.last());
    out
}

/// Bites along a Hilbert curve, taken with a golden stride, inner ones first.
fn base_sequence(bites: &[Bite], nest: &Nest) -> Vec<u32> {
    let n = bites.len();
    let centre = |b: &Bite| [(b.start[0] + b.end[0]) / 2.0, (b.start[1] + b.end[1]) / 2.0];
    let centres: Vec<[f64; 2]> = bites.iter().map(centre).collect();
    let sorted = hilbert::order(&centres);
    let stride = hilbert::golden_stride(n);
    let mut out: Vec<u32> = (0..n).map(|i| sorted[i * stride % n]).collect();
    out.sort_by_key(|b| nest.height(bites[*b as usize].path));
    out
}
