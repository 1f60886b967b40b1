//! The sheet that ordering plans on: how warm each place is now, and how warm it will be by the end of the
//! next visit if nothing else is cut.

use super::Foil;
use super::conduct::{Links, NO_WORK, Scratch, Window, stable_s, stages};
use super::fine::even_sides;
use super::rays::{Rays, groove, rays_for};
use super::rows::{add_row, scale_row};
use crate::polyline;
use std::ops::Range;

/// How fine to plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fineness {
    /// Size of a cell along x and y.
    pub cell_mm: [f64; 2],
    /// Rays of a link, 1 to 8.
    pub rays: u32,
    /// Visits are gathered until this much time has passed; 0 steps after each.
    pub tick_s: f64,
    /// The next cut begins after this.
    pub settle_s: f64,
    /// How far ahead is looked.
    pub horizon_s: f64,
}

/// What is to be planned, for [`Fineness::choose`].
#[derive(Debug, Clone, Copy)]
pub struct Load {
    pub area_mm2: f64,
    pub visits: f64,
    /// Time of a typical visit with its jump.
    pub visit_s: f64,
    /// The shortest jump.
    pub settle_s: f64,
    /// Typical distance between cuts side by side.
    pub spacing_mm: f64,
}

/// Cells that are fine enough for anything.
const FINEST_MM: f64 = 0.05;
/// Cell stages spent on a plan: some milliseconds for each visit, some seconds in all; in ticks a stage costs more.
const VISIT_WORK: f64 = 4e6;
const PLAN_WORK: f64 = 9e9;
const TICK_WORK: f64 = 7e9;
/// A cut warms the foil in so many parts one after another.
const PARTS: usize = 6;
/// First looks ahead, after the shortest jump: while the heat of the last cut reaches its neighbours.
const SOON_S: [f64; 4] = [0.0, 1e-3, 3e-3, 8e-3];
/// Longer waits are stepped in so many legs: one long step of first order leaves up to 0.4 of what should have faded
/// (its factor tends to J0(2 sqrt(x)) for exp(-x)), so many of them 0.4 to that power.
const LEGS: f64 = 2.0;
/// Stable steps in a leg, at least.
const LEG_STEPS: f64 = 2.0;
/// Cells larger than this step by ticks.
const TICK_CELL_MM: f64 = 0.4;

/// Legs of a wait of `steps` stable steps.
fn legs(steps: f64) -> f64 {
    (steps / LEG_STEPS).ceil().clamp(1.0, LEGS)
}

impl Fineness {
    /// The finest that the work allows, but no finer than half the distance between cuts unless that takes no time.
    pub fn choose(load: &Load, foil: &Foil) -> Fineness {
        let least = (0.5 * load.spacing_mm)
            .min(TICK_CELL_MM)
            .max(load.area_mm2.sqrt() / 2000.0);
        let mut cell_mm = least.min(FINEST_MM);
        let horizon_s = load.visit_s;
        loop {
            let step_s = stable_s([cell_mm; 2], foil);
            let tick_s = if cell_mm > TICK_CELL_MM { step_s } else { 0.0 };
            let ticks = load.visits * (load.visit_s / tick_s.max(load.visit_s)).min(1.0);
            let steps = load.visit_s.max(tick_s) / step_s;
            let stages = legs(steps) * stages(steps / legs(steps)) as f64;
            let most = if cell_mm < least {
                NO_WORK
            } else if tick_s > 0.0 {
                TICK_WORK
            } else {
                (load.visits * VISIT_WORK).clamp(NO_WORK, PLAN_WORK)
            };
            if load.area_mm2 / (cell_mm * cell_mm) * ticks * 2.0 * stages <= most {
                return Fineness {
                    cell_mm: [cell_mm; 2],
                    rays: rays_for(cell_mm, load.spacing_mm),
                    tick_s,
                    settle_s: load.settle_s,
                    horizon_s,
                };
            }
            // Not past half the distance by a hair.
            let coarsest = if cell_mm < least { least } else { f64::MAX };
            cell_mm = (1.1 * cell_mm).min(coarsest);
        }
    }
}

/// What one cut does to the sheet, part of its way by part.
#[derive(Debug, Clone, Default)]
pub struct Trace {
    parts: Vec<Part>,
}

#[derive(Debug, Clone, Default)]
struct Part {
    /// Cells warmed and their shares of the whole cut's heat.
    cells: Vec<(u32, f32)>,
    /// Links crossed: axis, link, rays.
    links: Vec<(u8, u32, u8)>,
}

impl Part {
    /// Puts what was noted of the same cell or link together.
    fn gather(&mut self) {
        self.cells.sort_unstable_by_key(|c| c.0);
        self.cells.dedup_by(|next, kept| {
            let same = kept.0 == next.0;
            if same {
                kept.1 += next.1;
            }
            same
        });
        self.cells.shrink_to_fit();
        self.links.sort_unstable();
        self.links.dedup_by(|next, kept| {
            let same = (kept.0, kept.1) == (next.0, next.1);
            if same {
                kept.2 |= next.2;
            }
            same
        });
        self.links.shrink_to_fit();
    }
}

impl Trace {
    pub fn cells(&self) -> impl Iterator<Item = (usize, f32)> {
        let cells = self.parts.iter().flat_map(|part| &part.cells);
        cells.map(|(k, share)| (*k as usize, *share))
    }
}

/// Cells joined by links of [`Rays`], with a border of ghost cells. Rises above rest, kelvin, f32.
#[derive(Debug, Clone)]
pub struct PlanSheet {
    nx: usize,
    ny: usize,
    stride: usize,
    origin_mm: [f64; 2],
    cell_mm: [f64; 2],
    kerf_mm: f64,
    tau_s: f64,
    /// Longest stable explicit step, s.
    step_s: f64,
    now: Vec<f32>,
    /// As it will be at [`SOON_S`]; with ticks, at the first of these and after it.
    soon: Vec<Vec<f32>>,
    ahead: Vec<f32>,
    /// Heat of the last cut alone, at rest outside its window.
    fresh: Vec<f32>,
    stale: bool,
    /// Whether `ahead` is what `now` will be at the horizon.
    known: bool,
    /// Exchange over a link in one step, as a fraction of the difference.
    links: [Vec<f32>; 2],
    full: [f32; 2],
    rays: Rays,
    settle_s: f64,
    horizon_s: f64,
    tick_s: f64,
    pending_s: f64,
    /// Kelvin per joule put into one cell.
    k_per_j: f64,
    /// What ghost cells mirror: the edge (insulated) or its negative (held at rest).
    mirror: f32,
    scratch: Scratch,
}

impl PlanSheet {
    /// Cells over `sheet_mm` (x min, y min, x max, y max).
    pub fn new(sheet_mm: [f64; 4], fineness: &Fineness, kerf_mm: f64, foil: &Foil) -> PlanSheet {
        let span = [
            (sheet_mm[2] - sheet_mm[0]).max(1e-3),
            (sheet_mm[3] - sheet_mm[1]).max(1e-3),
        ];
        let count = |i: usize| ((span[i] / fineness.cell_mm[i]).round() as usize).clamp(2, 4000);
        let (nx, ny) = (count(0), count(1));
        let cell_mm = [span[0] / nx as f64, span[1] / ny as f64];
        let step_s = stable_s(cell_mm, foil);
        let part = |i: usize| (foil.alpha_m2_s * step_s / (cell_mm[i] * 1e-3).powi(2)) as f32;
        let full = [part(0), part(1)];
        let stride = nx + 2;
        let size = stride * (ny + 2);
        let moments = if fineness.tick_s > 0.0 {
            2
        } else {
            SOON_S.len()
        };
        PlanSheet {
            nx,
            ny,
            stride,
            origin_mm: [sheet_mm[0], sheet_mm[1]],
            cell_mm,
            kerf_mm,
            tau_s: foil.tau_s(),
            step_s,
            now: vec![0.0; size],
            soon: vec![vec![0.0; size]; moments],
            ahead: vec![0.0; size],
            fresh: vec![0.0; size],
            stale: false,
            known: false,
            // Links to ghost cells are whole: the ghosts mirror, so that nothing flows unless clamped.
            links: [vec![full[0]; size], vec![full[1]; size]],
            full,
            rays: Rays::new(fineness.rays, size),
            settle_s: fineness.settle_s,
            horizon_s: fineness.horizon_s,
            tick_s: fineness.tick_s,
            pending_s: 0.0,
            k_per_j: 1.0 / (foil.capacity_j_m2_k * cell_mm[0] * cell_mm[1] * 1e-6),
            mirror: if foil.clamped { -1.0 } else { 1.0 },
            scratch: [vec![0.0; size], vec![0.0; size], vec![0.0; size]],
        }
    }
    /// A place in cell units, kept on the sheet.
    pub fn place(&self, p_mm: [f64; 2]) -> [f32; 2] {
        let p = self.cells(p_mm);
        // Never as far as the outermost centre: the cell beyond is read too.
        [
            (p[0] as f32).clamp(1.0, self.nx as f32 - 1e-3),
            (p[1] as f32).clamp(1.0, self.ny as f32 - 1e-3),
        ]
    }
    fn cells(&self, p: [f64; 2]) -> [f64; 2] {
        // The shift keeps cuts on round coordinates from running exactly through cell centres.
        [
            (p[0] - self.origin_mm[0]) / self.cell_mm[0] + 0.5 + 1.234_5e-6,
            (p[1] - self.origin_mm[1]) / self.cell_mm[1] + 0.5 + 2.718_3e-6,
        ]
    }
    /// What a cut along `points` (mm) does.
    pub fn trace(&self, points: &[[f64; 2]]) -> Trace {
        let count = if self.tick_s > 0.0 { 1 } else { PARTS };
        let mut parts: Vec<Part> = vec![Part::default(); count];
        let piece = 0.5 * self.cell_mm[0].min(self.cell_mm[1]);
        let whole = polyline::length(points).max(1e-12);
        let mut at = 0.0;
        for w in points.windows(2) {
            let length = polyline::distance(w[0], w[1]);
            let way = [0, 1].map(|i| w[1][i] - w[0][i]);
            let place = |f: f64| [0, 1].map(|i| w[0][i] + f * way[i]);
            let in_cells = [0, 1].map(|i| way[i] / self.cell_mm[i]);
            let part_of = |f: f64| {
                let part = ((at + f * length) / whole * count as f64) as usize;
                part.min(count - 1)
            };
            let pieces = (length / piece).ceil().clamp(1.0, 1e6);
            let share = (length / pieces / whole) as f32;
            for n in 0..pieces as usize {
                let f = (n as f64 + 0.5) / pieces;
                let cells = self.beside(place(f), in_cells);
                let warmed = &mut parts[part_of(f)].cells;
                warmed.extend(cells.map(|(k, u)| (k, u * share)));
            }
            let last = part_of(1.0);
            let mut from = 0.0;
            for (n, part) in parts
                .iter_mut()
                .enumerate()
                .take(last + 1)
                .skip(part_of(0.0))
            {
                let end = (n + 1) as f64 / count as f64 * whole;
                let to = if n == last {
                    1.0
                } else {
                    ((end - at) / length).clamp(from, 1.0)
                };
                let ends = [from, to].map(|f| self.cells(place(f)));
                self.crossed(ends, &mut part.links);
                from = to;
            }
            at += length;
        }
        for part in &mut parts {
            part.gather();
        }
        Trace { parts }
    }
    /// The links, and their rays, that a stretch (in cells) crosses.
    fn crossed(&self, ends: [[f64; 2]; 2], links: &mut Vec<(u8, u32, u8)>) {
        self.rays
            .crossed(ends, [self.nx, self.ny], self.stride, |axis, k, ray| {
                links.push((axis as u8, k as u32, ray));
            });
    }
    fn around(&self, p: [f32; 2]) -> [(u32, f32); 4] {
        let (i, j) = (p[0] as usize, p[1] as usize);
        let (u, v) = (p[0] - i as f32, p[1] - j as f32);
        let k = (j * self.stride + i) as u32;
        let w = self.stride as u32;
        [
            (k, (1.0 - u) * (1.0 - v)),
            (k + 1, u * (1.0 - v)),
            (k + w, (1.0 - u) * v),
            (k + w + 1, u * v),
        ]
    }
    /// The cells that a cut along `way` (in cells) warms at a place, each side of it by half where cells are finer than
    /// the metal between cuts.
    fn beside(&self, p_mm: [f64; 2], way: [f64; 2]) -> [(u32, f32); 4] {
        let around = self.around(self.place(p_mm));
        if self.rays.count() > 1 {
            return around;
        }
        let mut weights = around.map(|(_, w)| f64::from(w));
        even_sides(&mut weights, self.cells(p_mm), [self.nx, self.ny], way);
        std::array::from_fn(|n| (around[n].0, weights[n] as f32))
    }
    fn read(&self, t: &[f32], p: [f32; 2]) -> f32 {
        let (i, j) = (p[0] as usize, p[1] as usize);
        let (u, v) = (p[0] - i as f32, p[1] - j as f32);
        let k = j * self.stride + i;
        let (a, b) = (t[k], t[k + 1]);
        let (c, d) = (t[k + self.stride], t[k + self.stride + 1]);
        let low = a + u * (b - a);
        let high = c + u * (d - c);
        low + v * (high - low)
    }
    /// Rise at a place now.
    pub fn at(&self, p: [f32; 2]) -> f32 {
        self.read(&self.now, p)
    }
    /// Highest rise at a place while the heat of the last cut reaches it, if nothing else is cut until then: from the
    /// next cut on, or from a little later.
    pub fn soon(&self, p: [f32; 2], next: bool) -> f32 {
        let first = if next { 0 } else { self.soon.len() / 2 };
        let soon = self.soon[first..].iter();
        soon.fold(0.0, |k, t| k.max(self.read(t, p)))
    }
    /// Rise at a place at the horizon, as of the last [`PlanSheet::look_ahead`].
    pub fn ahead(&self, p: [f32; 2]) -> f32 {
        self.read(&self.ahead, p)
    }
    /// Lets `jump_s` and then `seconds` pass, in which a cut along a trace is made: pass `pass` of `passes`.
    pub fn cut(
        &mut self,
        trace: &Trace,
        joule: f64,
        [jump_s, seconds]: [f64; 2],
        (pass, passes): (u32, u32),
    ) {
        self.wait(jump_s + seconds);
        if trace.cells().next().is_none() {
            return;
        }
        let rise = (joule * self.k_per_j) as f32;
        if self.tick_s > 0.0 {
            for (k, share) in trace.cells() {
                self.now[k] += share * rise;
                self.soon[0][k] += share * rise;
                self.spread(k, share * rise);
            }
            for part in &trace.parts {
                self.wound(&part.links, pass, passes);
            }
            self.known = false;
        } else {
            self.cut_in_parts(trace, rise, seconds, (pass, passes));
            self.stale = true;
        }
    }
    /// Until the next step, heat reaches the neighbours in the forecast as on whole foil.
    fn spread(&mut self, k: usize, rise: f32) {
        let part = |full: f32| (full * (self.horizon_s / self.step_s) as f32).min(0.2);
        let (px, py, w) = (part(self.full[0]), part(self.full[1]), self.stride);
        for (k, part) in [
            (k, 1.0 - 2.0 * px - 2.0 * py),
            (k - 1, px),
            (k + 1, px),
            (k - w, py),
            (k + w, py),
        ] {
            self.ahead[k] += part * rise;
            for soon in &mut self.soon[1..] {
                soon[k] += part * rise;
            }
        }
    }
    /// Cuts part after part, and adds their heat, each part's as old as it is, and what it will be soon.
    fn cut_in_parts(&mut self, trace: &Trace, rise: f32, seconds: f64, (pass, passes): (u32, u32)) {
        let touched = self.touched(trace);
        // Each part's heat comes at its end, so that the last is as fresh as the beam leaves it.
        let part_s = seconds / trace.parts.len() as f64;
        let mut age_s = part_s * (trace.parts.len() - 1) as f64;
        let last_s = self.settle_s + SOON_S[SOON_S.len() - 1];
        let mut fresh = std::mem::take(&mut self.fresh);
        for row in self.rows_of(self.reached(touched, age_s + last_s)) {
            fresh[row].fill(0.0);
        }
        for (n, part) in (0u32..).zip(&trace.parts) {
            if n > 0 {
                let window = self.reached(touched, f64::from(n) * part_s);
                self.evolve(&mut fresh, part_s, window);
            }
            // The way across is cut off behind the beam only: until then heat of the way before passes it.
            self.wound(&part.links, pass, passes);
            for (k, share) in &part.cells {
                fresh[*k as usize] += share * rise;
            }
        }
        for row in self.rows_of(self.reached(touched, age_s)) {
            add_row(&mut self.now[row.clone()], &fresh[row]);
        }
        // `soon` stands as `now` did without this heat.
        let mut at_s = -self.settle_s;
        for (n, soon_s) in SOON_S.into_iter().enumerate() {
            age_s += soon_s - at_s;
            let window = self.reached(touched, age_s);
            self.evolve(&mut fresh, soon_s - at_s, window);
            at_s = soon_s;
            for row in self.rows_of(window) {
                add_row(&mut self.soon[n][row.clone()], &fresh[row]);
            }
        }
        self.fresh = fresh;
    }
    /// The cells that a cut warms lie in this.
    fn touched(&self, trace: &Trace) -> Window {
        let mut touched = [[usize::MAX, 0]; 2];
        for (k, _) in trace.cells() {
            for (span, at) in touched.iter_mut().zip([k % self.stride, k / self.stride]) {
                *span = [span[0].min(at), span[1].max(at)];
            }
        }
        touched
    }
    /// Where heat has come to from there: 3.5 diffusion lengths; a stable step is half a cell's diffusion length squared.
    fn reached(&self, touched: Window, age_s: f64) -> Window {
        let reach = (3.5 * (age_s / self.step_s).sqrt() * 0.71).ceil() as usize + 1;
        let grown =
            |r: [usize; 2], n: usize| [r[0].saturating_sub(reach).max(1), (r[1] + reach).min(n)];
        [grown(touched[0], self.nx), grown(touched[1], self.ny)]
    }
    /// The rows of a window.
    fn rows_of(&self, window: Window) -> impl Iterator<Item = Range<usize>> + use<> {
        let [[x0, x1], [y0, y1]] = window;
        let stride = self.stride;
        (y0..=y1).map(move |j| j * stride + x0..j * stride + x1 + 1)
    }
    /// Thins or severs links.
    fn wound(&mut self, links: &[(u8, u32, u8)], pass: u32, passes: u32) {
        let dx = (self.cell_mm[0] * self.cell_mm[1]).sqrt();
        let thin = groove(pass, passes, self.kerf_mm, dx);
        for (axis, k, hit) in links {
            let (axis, k) = (*axis as usize, *k as usize);
            let left = self.rays.wound(axis, k, *hit, thin);
            let link = &mut self.links[axis][k];
            *link = link.min(self.full[axis] * left);
        }
    }
    /// Puts heat in along a trace without cutting.
    pub fn warm(&mut self, trace: &Trace, joule: f64) {
        let rise = (joule * self.k_per_j) as f32;
        for (k, share) in trace.cells() {
            self.now[k] += share * rise;
        }
    }
    /// What [`Self::warm`] with each of the traces adds to the sheet.
    pub fn warmth<'t>(&self, all: impl Iterator<Item = (&'t Trace, f64)>) -> Vec<f32> {
        let mut out = vec![0.0; self.now.len()];
        for (trace, joule) in all {
            let rise = (joule * self.k_per_j) as f32;
            for (k, share) in trace.cells() {
                out[k] += share * rise;
            }
        }
        out
    }
    /// Adds what [`Self::warmth`] gave.
    pub fn warm_by(&mut self, warmth: &[f32]) {
        for (t, add) in self.now.iter_mut().zip(warmth) {
            *t += add;
        }
    }
    /// Lets time pass. Steps are made once `tick_s` has gathered.
    pub fn wait(&mut self, seconds: f64) {
        self.pending_s += seconds;
        if self.pending_s > 0.0 && self.pending_s >= self.tick_s {
            let known = !self.stale && self.known && self.pending_s >= self.horizon_s;
            if known {
                // What was looked ahead to is here now.
                std::mem::swap(&mut self.now, &mut self.ahead);
                self.pending_s -= self.horizon_s;
            }
            self.known = false;
            let mut t = std::mem::take(&mut self.now);
            self.evolve(&mut t, self.pending_s, self.whole());
            self.now = t;
            for soon in &mut self.soon {
                soon.copy_from_slice(&self.now);
            }
            self.pending_s = 0.0;
            self.stale = true;
        }
    }
    /// Lets time pass in one step, whatever the tick.
    pub fn let_pass(&mut self, seconds: f64) {
        let tick_s = std::mem::replace(&mut self.tick_s, 0.0);
        self.wait(seconds);
        self.tick_s = tick_s;
    }
    /// Brings the forecast up to date.
    pub fn look_ahead(&mut self) {
        if std::mem::take(&mut self.stale) {
            let mut t = std::mem::take(&mut self.ahead);
            t.copy_from_slice(&self.now);
            self.evolve(&mut t, self.horizon_s, self.whole());
            self.ahead = t;
            self.known = true;
        }
    }
    /// Forgets heat and cuts.
    pub fn clear(&mut self) {
        self.now.fill(0.0);
        self.soon.iter_mut().for_each(|t| t.fill(0.0));
        self.ahead.fill(0.0);
        for axis in 0..2 {
            self.links[axis].fill(self.full[axis]);
        }
        self.rays.heal();
        self.pending_s = 0.0;
        self.stale = false;
        self.known = false;
    }
    /// Lets `t` conduct and lose heat for `seconds`.
    fn evolve(&mut self, t: &mut [f32], seconds: f64, window: Window) {
        if seconds <= 0.0 {
            return;
        }
        let links = Links {
            gx: &self.links[0],
            gy: &self.links[1],
            stride: self.stride,
        };
        let steps = seconds / self.step_s;
        let legs = legs(steps);
        let (nx, ny, w, mirror) = (self.nx, self.ny, self.stride, self.mirror);
        let ghosts = |t: &mut [f32], j: usize| {
            t[j * w] = mirror * t[j * w + 1];
            t[j * w + nx + 1] = mirror * t[j * w + nx];
            for (own, ghost) in [(1, 0), (ny, ny + 1)] {
                if j == own {
                    for i in 1..=nx {
                        t[ghost * w + i] = mirror * t[j * w + i];
                    }
                }
            }
        };
        let leg = steps / legs;
        for _ in 0..legs as usize {
            links.advance(t, &mut self.scratch, window, (leg, stages(leg)), &ghosts);
        }
        let kept = libm::exp(-seconds / self.tau_s) as f32;
        for row in self.rows_of(window) {
            scale_row(&mut t[row], kept);
        }
    }
    fn whole(&self) -> Window {
        [[1, self.nx], [1, self.ny]]
    }
}
