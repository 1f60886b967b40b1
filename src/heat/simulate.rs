//! The job on the fine sheet, step by step, and what is measured on the way.

use super::closed_form::self_heating;
use super::conduct::{NO_WORK, Scratch, Window, stable_s, stages};
use super::fine::FineSheet;
use super::rays::{groove, rays_for};
use super::rows::{scale_row, settle_row};
use super::summary::{Frame, HeatResult, Memory, Patch, SelfHeating, YieldTime};
use super::{Foil, fitting_mm, hot_webs, spacing_mm};
use crate::beam::through_foil_time_us;
use crate::motion::{Burn, Motion};
use crate::polyline::{distance, in_parts};
use crate::recipe::{Recipe, Slugs};
use std::fmt;

/// A place is settled this long after the beam was last within `NEAR_MM`.
const SETTLED_S: f64 = 0.05;
const NEAR_MM: f64 = 0.4;
/// Time step where explicit ones would be shorter, at most, and in stable explicit steps: what a step of first order
/// does to heat that is fresh is off where it is many of them.
const STEP_S: f64 = 1e-3;
const STABLE_STEPS: f64 = 40.0;
/// Largest cells of a thorough answer.
const CELL_MM: f64 = 0.1;
/// Cells that are fine enough for anything.
const FINEST_MM: f64 = 0.02;
/// Cell stages that a piece of the beam's way is worth; so many pieces, and so much of a sheet of a beam's own heat, are
/// not counted.
const PIECE_WORK: f64 = 60.0;
const PIECES_FREE: f64 = 1e6;
const OWN_FREE: f64 = 1.5;
/// How much work an answer may take; cells grow when the job needs more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Detail {
    /// An answer within a second or two.
    Quick,
    /// As quick, but as thorough as it must be for cells no wider than the metal between cuts, where that is enough.
    Telling,
    /// Within a few seconds: the cells of small jobs are those of a thorough answer.
    Fair,
    #[default]
    Thorough,
}

impl Detail {
    /// Cell stages.
    fn work(self) -> f64 {
        match self {
            Detail::Quick | Detail::Telling => 1e9,
            Detail::Fair => 2.5e9,
            Detail::Thorough => 1.5e10,
        }
    }
}

/// How to simulate.
pub struct SimOptions<'a> {
    /// Size of a cell. Left out: 100 um, finer where webs are narrow, coarser where the job would take too long.
    pub cell_um: Option<f64>,
    /// Where no cell is asked for.
    pub detail: Detail,
    /// Let the slide warm up; otherwise it stays at rest temperature.
    pub slide: bool,
    /// Number of frames of a film, evenly spread over the job.
    pub frames: usize,
    /// Stop as soon as the heat memory is above this: enough to tell orders apart.
    pub stop_above_k: Option<f64>,
    /// Told the fraction done, from time to time.
    pub progress: Option<&'a mut dyn FnMut(f64)>,
}

impl Default for SimOptions<'_> {
    fn default() -> Self {
        SimOptions {
            cell_um: None,
            detail: Detail::Thorough,
            slide: true,
            frames: 0,
            stop_above_k: None,
            progress: None,
        }
    }
}

impl fmt::Debug for SimOptions<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SimOptions")
            .field("cell_um", &self.cell_um)
            .field("detail", &self.detail)
            .field("slide", &self.slide)
            .field("frames", &self.frames)
            .field("stop_above_k", &self.stop_above_k)
            .finish_non_exhaustive()
    }
}

/// How often the first pass of a job sweeps all of its sheet, kerf by kerf, where that is so often that no foil would be
/// left to warm: such a job is not to be simulated.
pub fn sweeps_away(motion: &Motion, recipe: &Recipe) -> Option<f64> {
    let first = motion.burns.iter().filter(|b| b.pass <= 1);
    let swept_mm2 = first.map(Burn::length_mm).sum::<f64>() * recipe.kerf.width_um * 1e-3;
    let times = swept_mm2 / motion.sheet_area_mm2().max(1e-6);
    (times > MOST_SWEEPS).then_some(times)
}

/// Twice would do to clear a sheet with cuts half a kerf apart; with some to spare.
const MOST_SWEEPS: f64 = 6.0;

/// Simulates the whole job. Heat is `laser.absorbed_fraction` of each burn's power.
pub fn simulate(motion: &Motion, recipe: &Recipe, mut options: SimOptions<'_>) -> HeatResult {
    let mut foil = Foil::new(recipe);
    if !options.slide {
        foil.slide_j_m2_k = f64::INFINITY;
    }
    let spacing_mm = spacing_mm(first_pass(motion));
    let job_s = motion.end_s;
    let (burns, goes_on) = visits(motion, recipe.heat.bite_mm);
    let mut visits = Motion {
        burns,
        ..motion.clone()
    };
    let rests = without_rests(&mut visits, &foil);
    let cell_mm = cell_mm(&visits, &foil, &options, spacing_mm);
    let motion = &visits;
    let mut rests = rests.into_iter().peekable();
    let sheet = FineSheet::with_cells(motion.sheet_mm, cell_mm, &foil)
        .stepping(step_s(stable_s(cell_mm, &foil)))
        .with_rays(rays_for(cell_mm[0].max(cell_mm[1]), spacing_mm));
    let mut run = Run::new(motion, &goes_on, recipe, &foil, sheet, options.frames);
    // Each step takes the heat of half a step before and after it: the last one must reach past the end.
    let steps = (motion.end_s / run.sheet.dt_s + 0.5)
        .ceil()
        .clamp(1.0, 1e12) as u64;
    let tell = (steps / 200).max(1);
    for n in 0..steps {
        while let Some(rest) = rests.next_if(|r| r.at_s <= n as f64 * run.sheet.dt_s) {
            run.rest(rest.left_out_s, &foil);
        }
        run.advance(n);
        if options.stop_above_k.is_some_and(|k| run.peak.0 > k) {
            break;
        }
        if n.is_multiple_of(tell)
            && let Some(progress) = options.progress.as_mut()
        {
            progress(n as f64 / steps as f64);
        }
    }
    for rest in rests {
        run.rest(rest.left_out_s, &foil);
    }
    HeatResult {
        job_s,
        ..run.finish(motion, &foil, recipe, spacing_mm)
    }
}

/// Time constants of the loss to the slide after which the foil is at rest on it: e^-20 of a rise is left, which is
/// below what its single-precision numbers hold.
const AT_REST: f64 = 20.0;

/// A stretch of time in which nothing is cut and the foil is at rest on the slide.
struct Rest {
    /// Where it was, on the clock without it.
    at_s: f64,
    left_out_s: f64,
}

/// Takes the ends of long idle times out of the motion: what comes after the foil has come to rest needs no steps.
fn without_rests(motion: &mut Motion, foil: &Foil) -> Vec<Rest> {
    let longest_s = AT_REST * foil.tau_s();
    let mut rests = Vec::new();
    let mut shorten = |idle_s: f64, from_s: f64| {
        if idle_s > longest_s {
            let at_s = from_s + longest_s;
            rests.push(Rest {
                at_s,
                left_out_s: idle_s - longest_s,
            });
        }
        idle_s.clamp(0.0, longest_s)
    };
    // On the job's own clock, and on the one without rests.
    let (mut at_s, mut short_s) = (0.0_f64, 0.0_f64);
    let mut any = false;
    for burn in &mut motion.burns {
        let lasts_s = burn.length_mm() / burn.speed_mm_s;
        let idle_s = burn.start_s - at_s;
        at_s = burn.start_s + lasts_s;
        any |= idle_s > longest_s;
        let short = shorten(idle_s, short_s);
        if any {
            burn.start_s = short_s + short;
            short_s = burn.start_s + lasts_s;
        } else {
            short_s = at_s;
        }
    }
    let last = shorten(motion.end_s - at_s, short_s);
    if any || motion.end_s - at_s > longest_s {
        motion.end_s = short_s + last;
    }
    rests
}

/// Burns in parts of at most a bite, and which of them go on from the one before. What the beam left behind two parts
/// ago counts as memory, so that long cuts and short ones are held to the same measure.
fn visits(motion: &Motion, bite_mm: f64) -> (Vec<Burn>, Vec<bool>) {
    let mut out = Vec::with_capacity(motion.burns.len());
    let mut goes_on = Vec::with_capacity(motion.burns.len());
    for burn in &motion.burns {
        let length = burn.length_mm();
        let count = (length / bite_mm - 1e-9).ceil().max(1.0);
        if count <= 1.0 || !count.is_finite() {
            out.push(burn.clone());
            goes_on.push(false);
            continue;
        }
        for (n, points) in (0u32..).zip(in_parts(&burn.points, count as usize)) {
            goes_on.push(n > 0);
            out.push(Burn {
                points,
                start_s: burn.start_s + length * f64::from(n) / count / burn.speed_mm_s,
                ..*burn
            });
        }
    }
    (out, goes_on)
}

/// The cell asked for; else a tenth of a millimetre, or half the distance between cuts if that is less; finer where
/// that takes no time, coarser where it takes more work than is allowed; fitted to the cuts.
fn cell_mm(motion: &Motion, foil: &Foil, options: &SimOptions<'_>, spacing_mm: f64) -> [f64; 2] {
    if let Some(cell_um) = options.cell_um {
        return [cell_um.max(1.0) * 1e-3; 2];
    }
    let area_mm2 = motion.sheet_area_mm2();
    let length_mm: f64 = motion.burns.iter().map(Burn::length_mm).sum();
    let visit_mm = length_mm / motion.burns.len().max(1) as f64;
    let on_s: f64 = motion.burns.iter().map(|b| b.end_s() - b.start_s).sum();
    let visit_s = on_s / motion.burns.len().max(1) as f64;
    let work = |cell_mm: f64| {
        let stable = stable_s([cell_mm; 2], foil);
        let step_s = step_s(stable);
        let sheet = area_mm2 / (cell_mm * cell_mm);
        // A slow beam's own heat fills much of the sheet, twice, before the next visit.
        let reach = 3.5 * (visit_s / stable / 2.0).sqrt();
        let own = (0.7 * visit_mm / cell_mm + 2.0 * reach).powi(2).min(sheet);
        let cells = sheet + (2.0 * own - OWN_FREE * sheet).max(0.0);
        let pieces = (length_mm / (0.5 * cell_mm) - PIECES_FREE).max(0.0);
        stages(step_s / stable) as f64 * cells * motion.end_s / step_s + PIECE_WORK * pieces
    };
    let mut cell_mm = (0.5 * spacing_mm).min(CELL_MM);
    while cell_mm > FINEST_MM && work(cell_mm / 1.05) < NO_WORK {
        cell_mm /= 1.05;
    }
    while work(cell_mm) > options.detail.work() {
        cell_mm *= 1.05;
    }
    if options.detail == Detail::Telling
        && cell_mm > spacing_mm
        && work(spacing_mm) <= Detail::Thorough.work()
    {
        cell_mm = spacing_mm;
    }
    fitting_mm(motion.sheet_mm, cell_mm, first_pass(motion))
}

/// The ways of the first pass, which are those of all.
fn first_pass(motion: &Motion) -> impl Iterator<Item = &[[f64; 2]]> + Clone {
    let first = motion.burns.iter().filter(|b| b.pass <= 1);
    first.map(|b| b.points.as_slice())
}

/// Time step, for the stable explicit one.
fn step_s(stable_s: f64) -> f64 {
    STEP_S.min(STABLE_STEPS * stable_s).max(0.5 * stable_s)
}

struct Run<'a> {
    sheet: FineSheet,
    burns: &'a [Burn],
    /// Which burns go on from the one before.
    goes_on: &'a [bool],
    /// Passes made over each burn's path in the whole job.
    passes: Vec<u32>,
    next_burn: usize,
    beam: Option<Beam>,
    own: OwnField,
    /// That of the part before, where the present one goes on from it.
    before: OwnField,
    absorbed: f64,
    kerf_mm: f64,
    fall: bool,
    severed: Vec<[usize; 2]>,
    /// Time at which the beam was last near each cell.
    near_s: Vec<f32>,
    settled: Vec<f32>,
    lose_every: u64,
    patch_every: u64,
    patch: Patch,
    yield_time: YieldTime,
    memory: Vec<f32>,
    peak: (f64, [f64; 2]),
    starts: Vec<f64>,
    film_every_s: f64,
    /// Time at rest so far.
    left_out_s: f64,
    frames: Vec<Frame>,
}

/// Where the beam is on its burn.
struct Beam {
    segment: usize,
    along_mm: f64,
    at: [f64; 2],
    marked: Option<[f64; 2]>,
}

/// Heat of one visit alone: zero outside a window.
struct OwnField {
    t: Vec<f32>,
    scratch: Scratch,
    /// Cells that heat was put into, and the window around them that is not at rest.
    touched: Option<Window>,
    window: Window,
    age: u64,
}

impl<'a> Run<'a> {
    fn new(
        motion: &'a Motion,
        goes_on: &'a [bool],
        recipe: &Recipe,
        foil: &Foil,
        sheet: FineSheet,
        frames: usize,
    ) -> Run<'a> {
        let size = sheet.t.len();
        let mut of_path = std::collections::BTreeMap::new();
        for b in &motion.burns {
            let n = of_path.entry(b.path).or_insert(0u32);
            *n = (*n).max(b.pass);
        }
        let every = |seconds: f64| (seconds / sheet.dt_s).floor().max(1.0) as u64;
        Run {
            burns: &motion.burns,
            passes: motion.burns.iter().map(|b| of_path[&b.path]).collect(),
            next_burn: 0,
            beam: None,
            goes_on,
            own: OwnField::new(size),
            before: OwnField::new(if goes_on.contains(&true) { size } else { 0 }),
            absorbed: foil.absorbed,
            kerf_mm: recipe.kerf.width_um * 1e-3,
            fall: recipe.sheet.slugs == Slugs::Fall,
            severed: Vec::new(),
            near_s: vec![f32::NEG_INFINITY; size],
            settled: vec![0.0; size],
            // A hundredth of the time constant: the exchange with the slide is split off conduction.
            lose_every: every((foil.tau_s() / 100.0).min(5e-3)),
            patch_every: every(0.02),
            patch: Patch {
                side_mm: recipe.heat.patch_mm,
                buckling_k: foil.buckling_k_m2 / (recipe.heat.patch_mm * 1e-3).powi(2),
                ..Patch::default()
            },
            yield_time: YieldTime {
                limit_k: foil.first_yield_k,
                area_time_mm2_s: 0.0,
            },
            memory: Vec::new(),
            peak: (0.0, [0.0; 2]),
            starts: Vec::with_capacity(motion.burns.len()),
            film_every_s: if frames == 0 {
                f64::INFINITY
            } else {
                motion.end_s / frames as f64
            },
            left_out_s: 0.0,
            frames: Vec::with_capacity(frames),
            sheet,
        }
    }
    /// Time at rest: the slide gives up heat, and the foil stays at its temperature. What the foil would carry from
    /// warmer parts of the slide to colder ones is left out.
    fn rest(&mut self, seconds: f64, foil: &Foil) {
        self.left_out_s += seconds;
        // After that the slide is at rest too, within what its numbers hold.
        let slide_s = 10.0 * foil.slide_j_m2_k / foil.slide_loss_w_m2_k;
        self.sheet.lose(seconds.min(slide_s));
    }

    /// One step: the heat of the time around it, then conduction, now and then loss and measurements.
    fn advance(&mut self, n: u64) {
        let dt = self.sheet.dt_s;
        let (from, to) = ((n as f64 - 0.5) * dt, (n as f64 + 0.5) * dt);
        let burns = self.burns;
        while let Some(burn) = burns.get(self.next_burn) {
            if burn.start_s >= to {
                break;
            }
            if self.beam.is_none() {
                self.begin(burn);
            }
            let until = (to - burn.start_s) * burn.speed_mm_s;
            let done = self.travel(burn, until.max(0.0), to as f32);
            let at = self.beam.as_ref().map_or([0.0; 2], |b| b.at);
            self.remember(at);
            if !done && burn.end_s() > from {
                break;
            }
            self.end(burn);
        }
        self.sheet.step();
        self.own.step(&self.sheet);
        self.before.step(&self.sheet);
        // In the middle of each interval, so that the split is of second order.
        if n % self.lose_every == self.lose_every / 2 {
            self.settle(n as f64 * dt);
        }
        if n.is_multiple_of(self.patch_every) {
            self.measure_patch();
        }
        if n as f64 * dt >= self.film_every_s * (self.frames.len() as f64 + 0.5) {
            let frame = Frame {
                time_s: n as f64 * dt + self.left_out_s,
                rise_k: self.sheet.rows(|k| self.sheet.t[k]),
                beam_mm: self.beam.as_ref().map(|b| b.at),
                burns: self.next_burn + usize::from(self.beam.is_some()),
            };
            self.frames.push(frame);
        }
    }

    fn begin(&mut self, burn: &Burn) {
        let at = burn.points.first().copied().unwrap_or([0.0; 2]);
        if self.goes_on[self.next_burn] {
            std::mem::swap(&mut self.own, &mut self.before);
        } else {
            self.before.clear(self.sheet.stride);
            let start = self.sheet.at(at) - self.sheet.slide_at(at);
            self.starts.push(start);
            if start > self.peak.0 {
                self.peak = (start, at);
            }
        }
        self.own.clear(self.sheet.stride);
        self.beam = Some(Beam {
            segment: 0,
            along_mm: 0.0,
            at,
            marked: None,
        });
        self.severed.clear();
    }

    /// Moves the beam to `until_mm` along its burn, heating and cutting; true at its end.
    fn travel(&mut self, burn: &Burn, until_mm: f64, now_s: f32) -> bool {
        let Some(mut beam) = self.beam.take() else {
            return true;
        };
        let piece_mm = 0.5 * self.sheet.cell_mm[0].min(self.sheet.cell_mm[1]);
        let joule_mm = self.absorbed * burn.power_w / burn.speed_mm_s;
        let factor = groove(
            burn.pass,
            self.passes[self.next_burn],
            self.kerf_mm,
            2.0 * piece_mm,
        );
        // `along_mm` counts from the start of the segment; the burn's length up to it is in `start_mm`.
        let mut start_mm = burn
            .points
            .windows(2)
            .take(beam.segment)
            .map(|w| distance(w[0], w[1]))
            .sum::<f64>();
        let mut done = false;
        loop {
            let Some(w) = burn.points.get(beam.segment..beam.segment + 2) else {
                done = true;
                break;
            };
            let length = distance(w[0], w[1]);
            let goal = (until_mm - start_mm).min(length);
            while beam.along_mm < goal {
                let to = (beam.along_mm + piece_mm).min(goal);
                let f = to / length;
                let b = if to >= length {
                    w[1]
                } else {
                    [
                        w[0][0] + f * (w[1][0] - w[0][0]),
                        w[0][1] + f * (w[1][1] - w[0][1]),
                    ]
                };
                let a = beam.at;
                self.sheet.cut(a, b, factor, &mut self.severed);
                let rises = self
                    .sheet
                    .heat_beside(a, b, joule_mm * (to - beam.along_mm));
                self.own.add(rises, self.sheet.stride);
                beam.at = b;
                beam.along_mm = to;
                let far = beam
                    .marked
                    .is_none_or(|m| distance(m, b) >= 0.1_f64.max(2.0 * piece_mm));
                if far {
                    self.mark_near(b, now_s);
                    beam.marked = Some(b);
                }
            }
            if until_mm - start_mm < length {
                break;
            }
            beam.segment += 1;
            beam.along_mm = 0.0;
            start_mm += length;
        }
        self.beam = Some(beam);
        done
    }

    fn mark_near(&mut self, p: [f64; 2], now_s: f32) {
        let c = self.sheet.cells(p);
        let [rx, ry] = [
            NEAR_MM / self.sheet.cell_mm[0],
            NEAR_MM / self.sheet.cell_mm[1],
        ];
        let range = |c: f64, r: f64, n: usize| {
            ((c - r).ceil().max(1.0) as usize)..=((c + r).floor().min(n as f64) as usize)
        };
        for j in range(c[1], ry, self.sheet.ny) {
            for i in range(c[0], rx, self.sheet.nx) {
                let (u, v) = ((i as f64 - c[0]) / rx, (j as f64 - c[1]) / ry);
                if u * u + v * v <= 1.0 {
                    self.near_s[j * self.sheet.stride + i] = now_s;
                }
            }
        }
    }

    fn remember(&mut self, at: [f64; 2]) {
        let around = self.sheet.around(at);
        let own = self.own.at(&around) + self.before.at(&around);
        let rise = self.sheet.at(at) - own - self.sheet.slide_at(at);
        self.memory.push(rise as f32);
        if rise > self.peak.0 {
            self.peak = (rise, at);
        }
    }

    fn end(&mut self, burn: &Burn) {
        self.beam = None;
        self.next_burn += 1;
        if self.fall && burn.pass == self.passes[self.next_burn - 1] && !self.severed.is_empty() {
            // Any severed link tells; a few guard against a way that lies half in another slot.
            let step = (self.severed.len() / 8).max(1);
            for pair in std::mem::take(&mut self.severed).into_iter().step_by(step) {
                self.sheet.let_fall(pair);
            }
        }
    }

    fn settle(&mut self, now_s: f64) {
        let interval_s = self.lose_every as f64 * self.sheet.dt_s;
        self.sheet.lose(interval_s);
        let kept = self.sheet.kept(interval_s);
        for field in [&mut self.own, &mut self.before] {
            field.lose(kept, self.sheet.stride);
        }
        let before = (now_s - SETTLED_S) as f32;
        let limit = self.yield_time.limit_k as f32;
        let mut hot = 0usize;
        let slide = self.sheet.slide();
        let stride = self.sheet.stride;
        for j in 1..=self.sheet.ny {
            let row = j * stride + 1..j * stride + 1 + self.sheet.nx;
            let fields = [&self.sheet.t, slide, &self.near_s].map(|f| &f[row.clone()]);
            hot += settle_row(&mut self.settled[row], fields, before, limit);
        }
        let cell_mm2 = self.sheet.cell_mm[0] * self.sheet.cell_mm[1];
        self.yield_time.area_time_mm2_s += hot as f64 * cell_mm2 * interval_s;
    }

    /// Mean rise over every square of the patch's side, by a table of sums.
    fn measure_patch(&mut self) {
        let s = &self.sheet;
        let side =
            |i: usize, n: usize| ((self.patch.side_mm / s.cell_mm[i]).round() as usize).clamp(1, n);
        let (px, py) = (side(0, s.nx), side(1, s.ny));
        let w = s.nx + 1;
        let mut sums = vec![0.0f64; w * (s.ny + 1)];
        for j in 0..s.ny {
            let mut row = 0.0;
            for i in 0..s.nx {
                row += f64::from(s.t[(j + 1) * s.stride + i + 1]);
                sums[(j + 1) * w + i + 1] = sums[j * w + i + 1] + row;
            }
        }
        for j in py..=s.ny {
            for i in px..=s.nx {
                let sum = sums[j * w + i] - sums[(j - py) * w + i] - sums[j * w + i - px]
                    + sums[(j - py) * w + i - px];
                let mean = sum / (px * py) as f64;
                if mean > self.patch.peak_mean_k {
                    self.patch.peak_mean_k = mean;
                    let c = s.centre(i, j);
                    self.patch.at_mm = [
                        c[0] - (px - 1) as f64 * s.cell_mm[0] / 2.0,
                        c[1] - (py - 1) as f64 * s.cell_mm[1] / 2.0,
                    ];
                }
            }
        }
    }

    fn finish(
        mut self,
        motion: &Motion,
        foil: &Foil,
        recipe: &Recipe,
        spacing_mm: f64,
    ) -> HeatResult {
        self.memory.sort_unstable_by(f32::total_cmp);
        let p99 = self
            .memory
            .get((self.memory.len() as f64 * 0.99) as usize)
            .copied()
            .unwrap_or(0.0);
        self.patch.ratio = self.patch.peak_mean_k / self.patch.buckling_k;
        let energy = self.sheet.account();
        let sheet = &self.sheet;
        let settled_k = sheet.rows(|k| self.settled[k]);
        HeatResult {
            sheet_mm: motion.sheet_mm,
            dx_um: 1e3 * sheet.cell_mm[0],
            dt_us: 1e6 * sheet.dt_s,
            through_ms: 1e-3 * through_foil_time_us(foil.alpha_m2_s, recipe.foil.thickness_um),
            spacing_um: 1e3 * spacing_mm,
            job_s: motion.end_s,
            memory: Memory {
                peak_k: self.peak.0,
                p99_k: f64::from(p99),
                mean_at_start_k: self.starts.iter().sum::<f64>() / self.starts.len().max(1) as f64,
                max_at_start_k: self.starts.iter().copied().fold(0.0, f64::max),
                peak_at_mm: self.peak.1,
            },
            self_heating: worst_self_heating(motion, foil, recipe),
            webs: hot_webs(motion, foil),
            slide_drift_k: f64::from(sheet.slide_peak()),
            patch: self.patch,
            yield_time: self.yield_time,
            energy,
            energy_error: energy.error(),
            peak_settled_k: f64::from(settled_k.iter().copied().fold(0.0, f32::max)),
            nx: sheet.nx,
            ny: sheet.ny,
            settled_k,
            end_k: sheet.rows(|k| sheet.t[k]),
            cut_free: sheet.cut_free(),
            frames: self.frames,
        }
    }
}

/// At the end of each visit, where its own heat is highest. The spot is taken as wide as the kerf.
fn worst_self_heating(motion: &Motion, foil: &Foil, recipe: &Recipe) -> SelfHeating {
    let w = recipe.kerf.width_um.max(1.0) * 0.5e-6;
    let mut worst = SelfHeating::default();
    for burn in motion.burns.iter().filter(|b| b.pass <= 1) {
        let points: Vec<[f64; 2]> = burn
            .points
            .iter()
            .map(|p| [p[0] * 1e-3, p[1] * 1e-3])
            .collect();
        let rise = self_heating(
            foil,
            foil.absorbed * burn.power_w,
            w,
            &points,
            burn.speed_mm_s * 1e-3,
        );
        if rise > worst.worst_k {
            worst = SelfHeating {
                worst_k: rise,
                at_mm: burn.points.last().copied().unwrap_or([0.0; 2]),
            };
        }
    }
    worst
}

impl OwnField {
    fn new(size: usize) -> OwnField {
        OwnField {
            t: vec![0.0; size],
            scratch: std::array::from_fn(|_| vec![0.0; size]),
            touched: None,
            window: [[1, 1], [1, 1]],
            age: 0,
        }
    }
    fn at(&self, around: &[(usize, f64)]) -> f64 {
        if self.touched.is_none() {
            return 0.0;
        }
        around.iter().map(|(k, w)| w * f64::from(self.t[*k])).sum()
    }
    fn step(&mut self, sheet: &FineSheet) {
        let Some(touched) = self.touched else { return };
        // Heat reaches one cell further each explicit step; past 3.5 diffusion lengths, each the cells that the root
        // of the stable steps tells, there is none to speak of.
        self.age += 1;
        let steps = self.age as f64 * sheet.stable_steps();
        let reach = (3.5 * steps.sqrt()).min(2.0 * steps).ceil() as usize + 1;
        self.window = grown(touched, reach, sheet);
        sheet.step_other(&mut self.t, &mut self.scratch, self.window);
    }
    fn lose(&mut self, kept: f32, stride: usize) {
        if self.touched.is_some() {
            let [[x0, x1], [y0, y1]] = self.window;
            for j in y0..=y1 {
                scale_row(&mut self.t[j * stride + x0..=j * stride + x1], kept);
            }
        }
    }
    fn clear(&mut self, stride: usize) {
        if let Some(touched) = self.touched.take() {
            for [[x0, x1], [y0, y1]] in [touched, self.window] {
                for j in y0..=y1 {
                    self.t[j * stride + x0..=j * stride + x1].fill(0.0);
                }
            }
        }
        self.age = 0;
    }
    fn add(&mut self, rises: [(usize, f32); 4], stride: usize) {
        for (k, rise) in rises {
            self.t[k] += rise;
            let (i, j) = (k % stride, k / stride);
            let [x, y] = self.touched.get_or_insert([[i, i], [j, j]]);
            *x = [x[0].min(i), x[1].max(i)];
            *y = [y[0].min(j), y[1].max(j)];
        }
    }
}

fn grown(window: Window, by: usize, sheet: &FineSheet) -> Window {
    let grow = |r: [usize; 2], n: usize| [r[0].saturating_sub(by).max(1), (r[1] + by).min(n)];
    [grow(window[0], sheet.nx), grow(window[1], sheet.ny)]
}
