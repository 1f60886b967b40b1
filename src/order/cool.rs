//! Cool order: each cut where the foil has cooled, at little travel.
//!
//! A base sequence spreads the cuts over the sheet (a golden stride along a Hilbert curve). From a window of
//! its next visits the nearest one is taken whose place, and the ring its heat will reach, is at or below a
//! limit; failing that the coolest, failing that a pause with the beam off.

use super::Visit;
use super::bites::bites;
use crate::finding::{Checked, Finding};
use crate::heat::{CoarseSheet, Foil};
use crate::job::plan::part_of;
use crate::kerf::CutPath;
use crate::recipe::{Recipe, Scheme};
use crate::units::trim_number;

/// Visits looked ahead.
const WINDOW: usize = 256;
/// Finest cells of the planning sheet, mm; coarser when the job would need more than `PLAN_WORK` cell steps.
const CELL_MM: f64 = 0.4;
const PLAN_WORK: f64 = 1.2e10;
const SAMPLE_MM: f64 = 0.25;
const DWELL_S: f64 = 1e-3;

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
    ring_cells: f32,
}

/// What the schedule is made from.
struct Planner<'a> {
    recipe: &'a Recipe,
    bites: Vec<Bite>,
    /// Places along the bites, in cells of the sheet.
    samples: Vec<[f32; 2]>,
    sheet: CoarseSheet,
    nest: Nest,
    /// Passes made in one visit: one, or all when they are made in place.
    passes_per_visit: u32,
    rounds: u32,
    watt: f64,
    tau_s: f64,
}

/// Orders the cuts of `paths` so that each starts where the foil has cooled. `sheet_mm` is the sheet in the
/// coordinates of the paths.
///
/// Every bite is cut once in every pass. In every pass an inner path is finished before the path it names
/// as parent. Dwells have the beam off and say why. The limit is `heat.limit_k`, or else [`even_limit_k`].
pub fn schedule(paths: &[CutPath], recipe: &Recipe, sheet_mm: [f64; 4]) -> Checked<Vec<Visit>> {
    let mut planner = Planner::new(paths, recipe, sheet_mm);
    let limit_k = recipe
        .heat
        .limit_k
        .unwrap_or_else(|| planner.even_limit_k());
    let (visits, dwell_s) = planner.run(limit_k as f32);
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
    Checked::new(visits, findings)
}

/// The rise (K) that no order goes much below: the hottest place along the paths if the job's heat came
/// evenly in time everywhere. Relative to the slide.
pub fn even_limit_k(paths: &[CutPath], recipe: &Recipe, sheet_mm: [f64; 4]) -> f64 {
    Planner::new(paths, recipe, sheet_mm).even_limit_k()
}

impl<'a> Planner<'a> {
    fn new(paths: &[CutPath], recipe: &'a Recipe, sheet_mm: [f64; 4]) -> Planner<'a> {
        let foil = Foil::new(recipe);
        let in_place = recipe.passes.scheme == Scheme::InPlace;
        let speed = recipe.scan.cut_speed_mm_s;
        let length: f64 = paths.iter().map(CutPath::length_mm).sum();
        let passes = recipe.passes.count;
        let beam_s = length * f64::from(passes) / speed;
        let area_m2 = (sheet_mm[2] - sheet_mm[0]) * (sheet_mm[3] - sheet_mm[1]) * 1e-6;
        let fit_m = (area_m2.abs() * beam_s * 5.0 * foil.alpha_m2_s / PLAN_WORK)
            .sqrt()
            .sqrt();
        let cell_mm = CELL_MM.max(fit_m * 1e3);
        let sheet = CoarseSheet::new(sheet_mm, cell_mm, &foil);
        let mut planner = Planner {
            recipe,
            bites: Vec::new(),
            samples: Vec::new(),
            sheet,
            nest: Nest::default(),
            passes_per_visit: if in_place { passes } else { 1 },
            rounds: if in_place { 1 } else { passes },
            tau_s: foil.tau_s(),
            watt: recipe.laser.rated_power_w * recipe.laser.power_percent / 100.0 * foil.absorbed,
        };
        let spacing_mm = SAMPLE_MM.max(cell_mm / 2.0);
        for (p, path) in paths.iter().enumerate() {
            let parts = if in_place {
                vec![[0.0, path.length_mm()]]
            } else {
                bites(path, recipe.heat.bite_mm, recipe.run_in_um() * 1e-3)
            };
            for [from_mm, to_mm] in parts {
                planner.add(p as u32, path, from_mm, to_mm, spacing_mm, &foil);
            }
        }
        planner.nest = Nest::new(paths, &planner.bites);
        planner
    }

    fn add(
        &mut self,
        p: u32,
        path: &CutPath,
        from_mm: f64,
        to_mm: f64,
        spacing_mm: f64,
        foil: &Foil,
    ) {
        let points = part_of(&path.points, from_mm, to_mm);
        let (Some(&start), Some(&end)) = (points.first(), points.last()) else {
            return;
        };
        let scan = &self.recipe.scan;
        let time_s = (to_mm - from_mm) / scan.cut_speed_mm_s;
        // Heat spreads over the visit and the jump to it, doubled as a guard.
        let reach_m = 2.0 * (foil.alpha_m2_s * (time_s + scan.jump_settle_ms * 1e-3)).sqrt();
        let first_sample = self.samples.len();
        for q in along(&points, spacing_mm) {
            let q = self.sheet.place(q);
            self.samples.push(q);
        }
        self.bites.push(Bite {
            path: p,
            from_mm,
            to_mm,
            start,
            end,
            first_sample,
            time_s,
            ring_cells: self.sheet.cells_of(reach_m * 1e3),
        });
    }

    fn samples_of(&self, b: usize) -> std::ops::Range<usize> {
        let end = self
            .bites
            .get(b + 1)
            .map_or(self.samples.len(), |n| n.first_sample);
        self.bites[b].first_sample..end
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
        // Long enough to settle: the slowest of loss and job, in steps of the sheet.
        let until = total_s.min(6.0 * self.tau_s);
        let steps = (until / self.sheet.dt_s()).ceil().max(1.0) as usize;
        let share = f64::from(self.recipe.passes.count) * self.watt * self.sheet.dt_s() / total_s;
        let source: Vec<([f32; 2], f64)> = (0..self.bites.len())
            .flat_map(|b| {
                let r = self.samples_of(b);
                let each = share * self.bites[b].time_s / r.len() as f64;
                self.samples[r]
                    .iter()
                    .map(move |s| (*s, each))
                    .collect::<Vec<_>>()
            })
            .collect();
        let field = self.sheet.source(&source);
        for _ in 0..steps {
            self.sheet.heat_field(&field);
            self.sheet.wait(self.sheet.dt_s());
        }
        let peak = self
            .samples
            .iter()
            .map(|s| self.sheet.at(*s))
            .fold(0.0f32, f32::max);
        self.sheet.clear();
        f64::from(peak).max(0.1)
    }

    /// Chooses visit after visit; answers them and the time dwelt.
    fn run(&mut self, limit_k: f32) -> (Vec<Visit>, f64) {
        let n = self.bites.len();
        let base = base_sequence(&self.bites, &self.nest);
        let total = n * self.rounds as usize;
        let mut out = Vec::with_capacity(total * self.passes_per_visit as usize);
        let mut window: Vec<usize> = (0..total.min(WINDOW)).collect();
        let mut fill = window.len();
        let mut near: Vec<(f32, usize)> = Vec::with_capacity(WINDOW);
        let (mut at, mut dwell_total) = (None::<[f64; 2]>, 0.0);
        let longest_wait_s = 20.0 * self.tau_s;
        while !window.is_empty() {
            near.clear();
            for (w, k) in window.iter().enumerate() {
                let b = base[k % n] as usize;
                if self.nest.ready(&self.bites[b], b, (k / n) as u32 + 1) {
                    let s = self.bites[b].start;
                    let d = at.map_or(0.0, |p| libm::hypot(s[0] - p[0], s[1] - p[1]));
                    near.push((d as f32, w));
                }
            }
            near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            let (mut waited, mut wait, mut found_k) = (0.0, DWELL_S, 0.0);
            let w = loop {
                match self.choose(&near, &window, &base, limit_k) {
                    Ok(w) => break w,
                    Err((w, _)) if waited >= longest_wait_s => break w,
                    Err((_, rise)) => {
                        if waited == 0.0 {
                            found_k = rise;
                        }
                        self.sheet.wait(wait);
                        waited += wait;
                        // Short waits first; long ones need not be retried each millisecond.
                        wait = (waited / 8.0 / DWELL_S).floor().max(1.0) * DWELL_S;
                    }
                }
            };
            let k = window[w];
            let (b, pass) = (base[k % n] as usize, (k / n) as u32 + 1);
            let jump_mm = at.map_or(0.0, |p| {
                let s = self.bites[b].start;
                libm::hypot(s[0] - p[0], s[1] - p[1])
            });
            let scan = &self.recipe.scan;
            let jump_s = jump_mm / scan.jump_speed_mm_s + scan.jump_settle_ms * 1e-3;
            self.sheet.wait(jump_s);
            for p in pass..pass + self.passes_per_visit {
                let mut visit = self.visit(b, p);
                if p == pass && waited > 0.0 {
                    visit.dwell_before_s = waited;
                    visit.dwell_reason = format!(
                        "foil at {} K, limit {} K",
                        trim_number(f64::from(found_k), 1),
                        trim_number(f64::from(limit_k), 1)
                    );
                }
                out.push(visit);
                self.burn(b);
            }
            dwell_total += waited;
            at = Some(self.bites[b].end);
            self.nest.done(self.bites[b].path, b, pass);
            // Keep the base order in the window: its first visit is never blocked.
            window.remove(w);
            if fill < total {
                window.push(fill);
                fill += 1;
            }
        }
        (out, dwell_total)
    }

    fn visit(&self, b: usize, pass: u32) -> Visit {
        let bite = &self.bites[b];
        let passes = self.recipe.passes.count;
        // Staggered passes start a fraction of the pulse pitch further on, so that pulses interleave.
        let shift = if self.recipe.passes.stagger && passes > 1 {
            let pitch_mm = self.recipe.pulse_pitch_um() * 1e-3;
            let part = f64::from(pass - 1) / f64::from(passes);
            (pitch_mm * part).min((bite.to_mm - bite.from_mm) / 2.0)
        } else {
            0.0
        };
        Visit {
            path: bite.path,
            pass,
            from_mm: bite.from_mm + shift,
            to_mm: bite.to_mm,
            dwell_before_s: 0.0,
            dwell_reason: String::new(),
        }
    }

    /// Puts the heat of one pass in while its time passes.
    fn burn(&mut self, b: usize) {
        let range = self.samples_of(b);
        let each_s = self.bites[b].time_s / range.len() as f64;
        let joule = self.watt * each_s;
        for s in range {
            self.sheet.heat(self.samples[s], joule);
            self.sheet.wait(each_s);
        }
    }

    /// The first of `near` whose guarded rise is within the limit; else the coolest if its own rise is;
    /// else the coolest and its rise.
    fn choose(
        &self,
        near: &[(f32, usize)],
        window: &[usize],
        base: &[u32],
        limit_k: f32,
    ) -> Result<usize, (usize, f32)> {
        let n = self.bites.len();
        let mut coolest = (f32::INFINITY, 0);
        for (_, w) in near {
            let b = base[window[*w] % n] as usize;
            let samples = &self.samples[self.samples_of(b)];
            let own = samples
                .iter()
                .map(|s| self.sheet.at(*s))
                .fold(0.0, f32::max);
            if own < coolest.0 {
                coolest = (own, *w);
            }
            if own <= limit_k
                && samples
                    .iter()
                    .all(|s| self.sheet.ring(*s, self.bites[b].ring_cells) <= limit_k)
            {
                return Ok(*w);
            }
        }
        if coolest.0 <= limit_k {
            Ok(coolest.1)
        } else {
            Err((coolest.1, coolest.0))
        }
    }
}

/// Places every `spacing_mm` at most, in the middle of equal parts of the polyline.
fn along(points: &[[f64; 2]], spacing_mm: f64) -> Vec<[f64; 2]> {
    let length: f64 = points
        .windows(2)
        .map(|w| libm::hypot(w[1][0] - w[0][0], w[1][1] - w[0][1]))
        .sum();
    let count = (length / spacing_mm).ceil().clamp(1.0, 1e6) as usize;
    let step = length / count as f64;
    let mut out = Vec::with_capacity(count);
    let (mut at, mut next) = (0.0, step / 2.0);
    for w in points.windows(2) {
        let d = libm::hypot(w[1][0] - w[0][0], w[1][1] - w[0][1]);
        while out.len() < count && next <= at + d && d > 0.0 {
            let t = (next - at) / d;
            out.push([
                w[0][0] + t * (w[1][0] - w[0][0]),
                w[0][1] + t * (w[1][1] - w[0][1]),
            ]);
            next += step;
        }
        at += d;
    }
    if out.is_empty() {
        out.push(points[0]);
    }
    out
}

/// Inner before outer: how far each path and its inner ones have come.
#[derive(Default)]
struct Nest {
    parent: Vec<Option<u32>>,
    children: Vec<Vec<u32>>,
    /// Height above the innermost.
    height: Vec<u32>,
    /// Bites of each path (first, end).
    bites: Vec<(u32, u32)>,
    /// Last pass done of each bite.
    done: Vec<u32>,
    /// Last pass done of every bite of a path.
    level: Vec<u32>,
    /// Last pass that every inner path has done, and how many inner paths stand exactly there.
    inner_level: Vec<u32>,
    inner_waiting: Vec<u32>,
}

impl Nest {
    fn new(paths: &[CutPath], bites: &[Bite]) -> Nest {
        let n = paths.len();
        let mut nest = Nest {
            parent: paths
                .iter()
                .map(|p| p.parent.filter(|q| (*q as usize) < n))
                .collect(),
            children: vec![Vec::new(); n],
            height: vec![0; n],
            bites: vec![(0, 0); n],
            done: vec![0; bites.len()],
            level: vec![0; n],
            inner_level: vec![0; n],
            inner_waiting: vec![0; n],
        };
        for (b, bite) in bites.iter().enumerate() {
            let range = &mut nest.bites[bite.path as usize];
            if range.1 == 0 {
                range.0 = b as u32;
            }
            range.1 = b as u32 + 1;
        }
        let mut waiting = vec![0u32; n];
        for p in nest.parent.iter().flatten() {
            waiting[*p as usize] += 1;
        }
        let mut free: Vec<usize> = (0..n).filter(|p| waiting[*p] == 0).collect();
        let mut settled = vec![false; n];
        while let Some(p) = free.pop() {
            settled[p] = true;
            if let Some(q) = nest.parent[p] {
                let q = q as usize;
                nest.height[q] = nest.height[q].max(nest.height[p] + 1);
                waiting[q] -= 1;
                if waiting[q] == 0 {
                    free.push(q);
                }
            }
        }
        for (p, settled) in settled.iter().enumerate() {
            // Paths that enclose each other in a circle would wait for ever: such parents are void.
            if !settled {
                nest.parent[p] = None;
            }
            if let Some(q) = nest.parent[p]
                && nest.bites[p].1 > nest.bites[p].0
            {
                nest.children[q as usize].push(p as u32);
            }
        }
        for p in 0..n {
            nest.inner_waiting[p] = nest.children[p].len() as u32;
        }
        nest
    }
    fn ready(&self, bite: &Bite, b: usize, pass: u32) -> bool {
        let p = bite.path as usize;
        self.done[b] + 1 == pass && (self.children[p].is_empty() || self.inner_level[p] >= pass)
    }
    fn done(&mut self, path: u32, b: usize, pass: u32) {
        self.done[b] = pass;
        let p = path as usize;
        let (first, end) = self.bites[p];
        let level = self.done[first as usize..end as usize]
            .iter()
            .copied()
            .min()
            .unwrap_or(pass);
        if level == self.level[p] {
            return;
        }
        let old = std::mem::replace(&mut self.level[p], level);
        let Some(q) = self.parent[p].map(|q| q as usize) else {
            return;
        };
        if old == self.inner_level[q] {
            self.inner_waiting[q] -= 1;
            if self.inner_waiting[q] == 0 {
                let lowest = self.children[q]
                    .iter()
                    .map(|c| self.level[*c as usize])
                    .min();
                self.inner_level[q] = lowest.unwrap_or(level);
                let at = self.inner_level[q];
                let standing = self.children[q]
                    .iter()
                    .filter(|c| self.level[**c as usize] == at);
                self.inner_waiting[q] = standing.count() as u32;
            }
        }
    }
}

/// Bites along a Hilbert curve, taken with a golden stride, inner ones first.
fn base_sequence(bites: &[Bite], nest: &Nest) -> Vec<u32> {
    let n = bites.len();
    let centre = |b: &Bite| [(b.start[0] + b.end[0]) / 2.0, (b.start[1] + b.end[1]) / 2.0];
    let (mut lo, mut hi) = ([f64::MAX; 2], [f64::MIN; 2]);
    for c in bites.iter().map(centre) {
        for i in 0..2 {
            lo[i] = lo[i].min(c[i]);
            hi[i] = hi[i].max(c[i]);
        }
    }
    let span = (hi[0] - lo[0]).max(hi[1] - lo[1]).max(1e-9);
    let cell = |v: f64, lo: f64| ((v - lo) / span * 65_535.0) as u32;
    let mut sorted: Vec<(u64, u32)> = bites
        .iter()
        .enumerate()
        .map(|(i, b)| {
            let c = centre(b);
            (hilbert(cell(c[0], lo[0]), cell(c[1], lo[1])), i as u32)
        })
        .collect();
    sorted.sort_unstable();
    let stride = golden_stride(n);
    let mut out: Vec<u32> = (0..n).map(|i| sorted[i * stride % n].1).collect();
    out.sort_by_key(|b| nest.height[bites[*b as usize].path as usize]);
    out
}

/// About 0.382 n and coprime with n.
fn golden_stride(n: usize) -> usize {
    fn gcd(a: usize, b: usize) -> usize {
        if b == 0 { a } else { gcd(b, a % b) }
    }
    let want = (n as f64 * 0.381_966).round() as usize;
    (0..n)
        .flat_map(|d| [want + d, want.saturating_sub(d)])
        .find(|s| *s >= 1 && gcd(*s, n) == 1)
        .unwrap_or(1)
}

/// Position along the Hilbert curve of order 16.
fn hilbert(mut x: u32, mut y: u32) -> u64 {
    let mut d = 0u64;
    let mut s = 1u32 << 15;
    while s > 0 {
        let (rx, ry) = (u32::from(x & s > 0), u32::from(y & s > 0));
        d += u64::from(s) * u64::from(s) * u64::from((3 * rx) ^ ry);
        if ry == 0 {
            if rx == 1 {
                x = 65_535 - x;
                y = 65_535 - y;
            }
            std::mem::swap(&mut x, &mut y);
        }
        s >>= 1;
    }
    d
}
