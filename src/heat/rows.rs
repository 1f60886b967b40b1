//! Inner loops over a row of cells, compiled for the widest vectors that the processor has.
//!
//! Each element is reckoned alike whatever the width, and sums are kept in a fixed number of lanes, so that answers do
//! not depend on the machine.

use crate::wide::widest;

/// Sums are kept in so many lanes, whatever the processor has.
const LANES: usize = 16;

/// What the gain of a row of cells is reckoned from.
#[derive(Clone, Copy)]
pub(super) struct Around<'a> {
    pub here: &'a [f32],
    /// Left, right, below, above.
    pub beside: [&'a [f32]; 4],
    pub links: [&'a [f32]; 4],
}

impl<'a> Around<'a> {
    /// The same, each slice `n` long as the compiler can see.
    #[inline(always)]
    fn long(self, n: usize) -> Around<'a> {
        Around {
            here: &self.here[..n],
            beside: self.beside.map(|s| &s[..n]),
            links: self.links.map(|s| &s[..n]),
        }
    }
    /// Net gain of a cell in a unit step. Both cells of a link see the same exchange, so heat is kept.
    #[inline(always)]
    fn gain(&self, i: usize) -> f32 {
        let (c, [l, r, d, u], [gl, gr, gd, gu]) = (self.here, self.beside, self.links);
        (gr[i] * (r[i] - c[i]) - gl[i] * (c[i] - l[i]))
            + (gu[i] * (u[i] - c[i]) - gd[i] * (c[i] - d[i]))
    }
}

widest! {
    /// The first stage of a step: the gain in a unit step, and the change that makes of it.
    pub(super) fn first_row(out: &'a mut [f32], gain: &'a mut [f32], around: Around<'a>, m: f32) -> () {
        let n = out.len();
        let (around, gain) = (around.long(n), &mut gain[..n]);
        for (i, (out, gain)) in out.iter_mut().zip(gain).enumerate() {
            *gain = around.gain(i);
            *out = m * *gain;
        }
    }
}

/// A row of cells and, along one axis, the rows and the links before and after it.
#[derive(Clone, Copy)]
pub(super) struct Line<'a> {
    pub here: &'a [f32],
    pub beside: [&'a [f32]; 2],
    pub links: [&'a [f32]; 2],
}

widest! {
    /// Rises after `units` unit steps of conduction along one axis.
    pub(super) fn step_row(out: &'a mut [f32], line: Line<'a>, units: f32) -> () {
        let n = out.len();
        let here = &line.here[..n];
        let [before, after] = line.beside.map(|s| &s[..n]);
        let [to, from] = line.links.map(|s| &s[..n]);
        for (i, out) in out.iter_mut().enumerate() {
            let gain = from[i] * (after[i] - here[i]) - to[i] * (here[i] - before[i]);
            *out = here[i] + units * gain;
        }
    }
}

widest! {
    /// The next stage of a step from the last one, and from the one before it, which it overwrites.
    pub(super) fn stage_row(out: &'a mut [f32], last: Around<'a>, first_gain: &'a [f32], by: [f32; 3]) -> () {
        let n = out.len();
        let (last, first_gain, [mu, nu, m]) = (last.long(n), &first_gain[..n], by);
        for (i, out) in out.iter_mut().enumerate() {
            let gain = last.gain(i) + first_gain[i];
            *out = mu * last.here[i] + nu * *out + m * gain;
        }
    }
}

/// Foil and slide come nearer to each other, and the slide loses some.
#[inline(always)]
pub(super) fn exchange(t: &mut f32, slide: &mut f32, [share, to_slide, back]: [f32; 3]) {
    let q = share * (*t - *slide);
    *t -= q;
    *slide += q * to_slide;
    *slide -= back * *slide;
}

widest! {
    /// [`exchange`] of a row.
    pub(super) fn exchange_row(t: &'a mut [f32], slide: &'a mut [f32], by: [f32; 3]) -> () {
        for (t, slide) in t.iter_mut().zip(slide) {
            exchange(t, slide, by);
        }
    }
}

widest! {
    pub(super) fn scale_row(row: &'a mut [f32], by: f32) -> () {
        row.iter_mut().for_each(|x| *x *= by);
    }
}

widest! {
    pub(super) fn add_row(row: &'a mut [f32], other: &'a [f32]) -> () {
        for (x, y) in row.iter_mut().zip(other) {
            *x += *y;
        }
    }
}

widest! {
    pub(super) fn sum_row(row: &'a [f32]) -> f64 {
        let mut sums = [0.0f32; LANES];
        let (parts, rest) = row.as_chunks::<LANES>();
        for part in parts {
            for i in 0..LANES {
                sums[i] += part[i];
            }
        }
        sums.iter().chain(rest).map(|x| f64::from(*x)).sum()
    }
}

widest! {
    /// Notes the highest rise above the slide where the beam was not near after `before`; `fields` are the rises of foil
    /// and slide, and when the beam was near. Answers how many cells are hotter than `limit`.
    pub(super) fn settle_row(settled: &'a mut [f32], fields: [&'a [f32]; 3], before: f32, limit: f32) -> usize {
        let n = settled.len();
        let [t, slide, near_s] = fields.map(|f| &f[..n]);
        let mut hot = 0u32;
        for (i, settled) in settled.iter_mut().enumerate() {
            let rise = t[i] - slide[i];
            // A maximum, not a choice of what to store: stores under a mask are slow.
            *settled = settled.max(if near_s[i] <= before { rise } else { 0.0 });
            hot += u32::from(t[i] > limit);
        }
        hot as usize
    }
}
