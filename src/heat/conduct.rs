//! Conduction on a grid of linked cells: explicit steps, and many of them at once.

use super::Foil;
use super::rows::{Around, Line, add_row, first_row, stage_row, step_row};

/// Cell stages that take no time to speak of.
pub(super) const NO_WORK: f64 = 2e8;

/// Part of an array that is not at rest: cells `lo..=hi` in x and y, counted from 1.
pub(super) type Window = [[usize; 2]; 2];

/// Scratch of [`Links::advance`], each as long as the field.
pub(super) type Scratch = [Vec<f32>; 3];

/// Longest stable explicit step, s: h2 / (4 alpha) on square cells.
pub(super) fn stable_s(cell_mm: [f64; 2], foil: &Foil) -> f64 {
    let part = |mm: f64| 1.0 / (mm * mm * 1e-6);
    0.5 / (foil.alpha_m2_s * (part(cell_mm[0]) + part(cell_mm[1])))
}

/// Stages for a time of `steps` stable explicit steps: s stages reach (s2 + s) / 2.
pub(super) fn stages(steps: f64) -> usize {
    (((1.0 + 8.0 * steps).sqrt() - 1.0) / 2.0 - 1e-9)
        .ceil()
        .max(1.0) as usize
}

/// The links between cells: `gx[k]` joins cell k to its right neighbour, `gy[k]` to the one above: the share
/// of their difference that is exchanged in one unit step.
#[derive(Clone, Copy)]
pub(super) struct Links<'a> {
    pub gx: &'a [f32],
    pub gy: &'a [f32],
    /// Cells in a row of the arrays, ghost cells included.
    pub stride: usize,
}

impl Links<'_> {
    /// What the gain of the cells `k..k + n` is reckoned from.
    fn row<'a>(&'a self, t: &'a [f32], k: usize, n: usize) -> Around<'a> {
        let w = self.stride;
        let at = |v: &'a [f32], k: usize| &v[k..k + n];
        Around {
            here: at(t, k),
            beside: [at(t, k - 1), at(t, k + 1), at(t, k - w), at(t, k + w)],
            links: [
                at(self.gx, k - 1),
                at(self.gx, k),
                at(self.gy, k - w),
                at(self.gy, k),
            ],
        }
    }
    /// Puts the ring of cells around a window at rest.
    fn rest_around(&self, t: &mut [f32], window: Window) {
        let [[x0, x1], [y0, y1]] = window;
        for j in y0 - 1..=y1 + 1 {
            let (first, end) = (j * self.stride + x0 - 1, j * self.stride + x1 + 1);
            if j < y0 || j > y1 {
                t[first..=end].fill(0.0);
            } else {
                (t[first], t[end]) = (0.0, 0.0);
            }
        }
    }
    /// `units` unit steps at once (at most the stable one): conduction along one axis, then along the other; `x_first`
    /// tells which. What lies around the window is at rest.
    ///
    /// Along one axis a step of h2 / (6 alpha) is right to the fourth power of h, and on whole foil the axes do not mind
    /// each other.
    pub fn explicit(
        &self,
        t: &mut [f32],
        scratch: &mut [f32],
        window: Window,
        (units, x_first): (f32, bool),
    ) {
        let [[x0, x1], [y0, y1]] = window;
        let (n, w) = (x1 + 1 - x0, self.stride);
        self.rest_around(scratch, window);
        let sweep = |from: &[f32], to: &mut [f32], (links, step): (&[f32], usize)| {
            for j in y0..=y1 {
                let k = j * w + x0;
                let line = Line {
                    here: &from[k..k + n],
                    beside: [&from[k - step..k - step + n], &from[k + step..k + step + n]],
                    links: [&links[k - step..k - step + n], &links[k..k + n]],
                };
                step_row(&mut to[k..k + n], line, units);
            }
        };
        let [first, second] = if x_first {
            [(self.gx, 1), (self.gy, w)]
        } else {
            [(self.gy, w), (self.gx, 1)]
        };
        sweep(t, scratch, first);
        sweep(scratch, t, second);
    }
    /// Lets `t` conduct within a window over `units` unit steps in `count` [`stages`]: an explicit step, or
    /// super time stepping of first order. `ghosts` fills the border beside a row, and below the first or above
    /// the last.
    ///
    /// RKL1: Meyer, Balsara & Aslam, J. Comput. Phys. 257, 594, 2014 (coefficients from memory; tested against
    /// explicit steps). The second-order scheme of that paper halves the finest ripples only once a step and
    /// swings below zero beside a fresh cut, which is where orders look.
    pub fn advance(
        &self,
        t: &mut [f32],
        scratch: &mut Scratch,
        window: Window,
        (units, count): (f64, usize),
        ghosts: &impl Fn(&mut [f32], usize),
    ) {
        let [[x0, x1], [y0, y1]] = window;
        let n = x1 + 1 - x0;
        let row = |j: usize| j * self.stride + x0..j * self.stride + x0 + n;
        let s = count as f64;
        let w1 = 2.0 / (s * s + s) * units;
        let [even, odd, first_gain] = scratch;
        // The ring around the window is read too: it is at rest, or made of ghosts. The second stage reads what it
        // overwrites, the first does not.
        for j in y0 - 1..=y1 + 1 {
            even[row(j).start - 1..=row(j).end].fill(0.0);
        }
        self.rest_around(odd, window);
        for j in y0..=y1 {
            ghosts(t, j);
        }
        // The change since the start is stepped, which keeps constants and sums exact; being linear, its gain
        // adds to that of the start. Each stage follows one row behind the one before, so that the rows at
        // work stay in the cache; a stage overwrites the one before the last.
        for step in y0 + 1..=y1 + count {
            for stage in step.saturating_sub(y1).max(1)..=(step - y0).min(count) {
                let j = step - stage;
                let (out, last) = if stage % 2 == 0 {
                    (&mut *even, &*odd)
                } else {
                    (&mut *odd, &*even)
                };
                let first_gain = &mut first_gain[row(j)];
                if stage == 1 {
                    let around = self.row(t, row(j).start, n);
                    first_row(&mut out[row(j)], first_gain, around, w1 as f32);
                } else {
                    let x = stage as f64;
                    let mu = (2.0 * x - 1.0) / x;
                    let (mu, nu, m) = (mu as f32, (1.0 - mu) as f32, (mu * w1) as f32);
                    let around = self.row(last, row(j).start, n);
                    let out = &mut out[row(j)];
                    stage_row(out, around, first_gain, [mu, nu, m]);
                }
                ghosts(out, j);
            }
        }
        let change = if count % 2 == 0 { even } else { odd };
        for j in y0..=y1 {
            add_row(&mut t[row(j)], &change[row(j)]);
        }
    }
}
