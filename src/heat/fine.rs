//! The fine sheet: cells joined by links that the beam severs as it cuts.
//!
//! A closed cut severs every link it crosses, so that what it encloses is isolated exactly.

use super::Foil;
use super::conduct::{Links, Scratch, Window, stable_s, stages};
use super::rays::Rays;
use super::rows::{exchange, exchange_row, scale_row, sum_row};

/// Finite differences in f32. Temperatures are rises above rest, kelvin.
#[derive(Debug, Clone)]
pub struct FineSheet {
    pub nx: usize,
    pub ny: usize,
    /// Cells in a row of the arrays: `nx` and a ghost cell on each side.
    pub stride: usize,
    origin_mm: [f64; 2],
    /// Size of a cell, mm.
    pub cell_mm: [f64; 2],
    /// One step, s.
    pub dt_s: f64,
    /// Rise of foil and slide.
    pub t: Vec<f32>,
    slide: Vec<f32>,
    scratch: Scratch,
    /// Unit steps in a step, and the stages they take.
    units: (f64, usize),
    /// Which axis an explicit step begins with; in turn, so that neither has precedence at a cut.
    x_first: bool,
    /// Link to the cell on the right, and to the one above, as a fraction of a unit step's exchange.
    gx: Vec<f32>,
    gy: Vec<f32>,
    rays: Rays,
    /// Cells that fell out.
    gone: Vec<bool>,
    any_gone: bool,
    full: [f32; 2],
    foil: Foil,
    pub energy: Energy,
}

/// A unit step, in stable explicit ones. At 2/3, h2 / (6 alpha), the errors of space and time cancel; a little less makes
/// up for some of the smear of sources that lie between centres.
const UNIT: f64 = 0.64;

/// Where the heat went, J.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Energy {
    pub put_in_j: f64,
    /// In foil and slide.
    pub stored_j: f64,
    /// To what the slide lies on, and through clamped edges.
    pub lost_j: f64,
    /// With pieces that fell.
    pub left_j: f64,
}

impl Energy {
    /// What is unaccounted for, as a fraction of what was put in.
    pub fn error(&self) -> f64 {
        let miss = self.put_in_j - self.stored_j - self.lost_j - self.left_j;
        miss.abs() / self.put_in_j.max(1e-300)
    }
}

impl FineSheet {
    /// Cells of about `dx_mm` over `sheet_mm` (x min, y min, x max, y max).
    pub fn new(sheet_mm: [f64; 4], dx_mm: f64, foil: &Foil) -> FineSheet {
        FineSheet::with_cells(sheet_mm, [dx_mm; 2], foil)
    }
    /// Cells of about that size along x and y.
    pub(super) fn with_cells(sheet_mm: [f64; 4], about_mm: [f64; 2], foil: &Foil) -> FineSheet {
        let span = [
            (sheet_mm[2] - sheet_mm[0]).max(1e-3),
            (sheet_mm[3] - sheet_mm[1]).max(1e-3),
        ];
        let count = |i: usize| ((span[i] / about_mm[i]).round() as usize).clamp(2, 8000);
        let (nx, ny) = (count(0), count(1));
        let cell_mm = [span[0] / nx as f64, span[1] / ny as f64];
        let (hx, hy) = (cell_mm[0] * 1e-3, cell_mm[1] * 1e-3);
        let dt_s = UNIT * stable_s(cell_mm, foil);
        let stride = nx + 2;
        let size = stride * (ny + 2);
        let full = [
            (foil.alpha_m2_s * dt_s / (hx * hx)) as f32,
            (foil.alpha_m2_s * dt_s / (hy * hy)) as f32,
        ];
        let (mut gx, mut gy) = (vec![0.0; size], vec![0.0; size]);
        for j in 1..=ny {
            for i in 1..=nx {
                let k = j * stride + i;
                gx[k] = if i < nx { full[0] } else { 0.0 };
                gy[k] = if j < ny { full[1] } else { 0.0 };
            }
        }
        if foil.clamped {
            // The edge is half a cell away from the outermost centre.
            for j in 1..=ny {
                gx[j * stride] = 2.0 * full[0];
                gx[j * stride + nx] = 2.0 * full[0];
            }
            for i in 1..=nx {
                gy[i] = 2.0 * full[1];
                gy[ny * stride + i] = 2.0 * full[1];
            }
        }
        FineSheet {
            nx,
            ny,
            stride,
            origin_mm: [sheet_mm[0], sheet_mm[1]],
            cell_mm,
            dt_s,
            t: vec![0.0; size],
            slide: vec![0.0; size],
            scratch: [vec![0.0; size], Vec::new(), Vec::new()],
            units: (1.0, 1),
            x_first: false,
            gx,
            gy,
            rays: Rays::new(1, size),
            gone: vec![false; size],
            any_gone: false,
            full,
            foil: *foil,
            energy: Energy::default(),
        }
    }
    /// The same sheet with steps of `dt_s`, several explicit ones at once where that is longer.
    pub fn stepping(mut self, dt_s: f64) -> FineSheet {
        if dt_s > self.dt_s {
            let units = dt_s / self.dt_s;
            self.units = (units, stages(UNIT * units));
            self.dt_s = dt_s;
            let size = self.t.len();
            self.scratch.iter_mut().for_each(|s| s.resize(size, 0.0));
        }
        self
    }
    /// The same sheet with links of so many rays, for features smaller than a cell.
    pub(super) fn with_rays(mut self, count: u32) -> FineSheet {
        self.rays = Rays::new(count, self.t.len());
        self
    }
    /// Stable explicit steps in a step.
    pub(super) fn stable_steps(&self) -> f64 {
        UNIT * self.units.0
    }
    /// Heat capacity of a cell, J/K.
    fn cell_j_k(&self) -> f64 {
        self.foil.capacity_j_m2_k * self.cell_mm[0] * self.cell_mm[1] * 1e-6
    }
    /// Position in cells: the centre of the first cell is (1, 1).
    pub fn cells(&self, p: [f64; 2]) -> [f64; 2] {
        // The shift keeps cuts on round coordinates from running exactly through cell centres.
        [
            (p[0] - self.origin_mm[0]) / self.cell_mm[0] + 0.5 + 1.234_5e-6,
            (p[1] - self.origin_mm[1]) / self.cell_mm[1] + 0.5 + 2.718_3e-6,
        ]
    }
    /// Centre of a cell, mm.
    pub fn centre(&self, i: usize, j: usize) -> [f64; 2] {
        [
            self.origin_mm[0] + (i as f64 - 0.5) * self.cell_mm[0],
            self.origin_mm[1] + (j as f64 - 0.5) * self.cell_mm[1],
        ]
    }
    /// The four cells around a place and their weights; cells that fell have none.
    pub(super) fn around(&self, p: [f64; 2]) -> [(usize, f64); 4] {
        let c = self.cells(p);
        let (x, y) = (
            c[0].clamp(1.0, self.nx as f64),
            c[1].clamp(1.0, self.ny as f64),
        );
        let (i, j) = ((x as usize).min(self.nx - 1), (y as usize).min(self.ny - 1));
        let (u, v) = (x - i as f64, y - j as f64);
        let k = j * self.stride + i;
        let mut out = [
            (k, (1.0 - u) * (1.0 - v)),
            (k + 1, u * (1.0 - v)),
            (k + self.stride, (1.0 - u) * v),
            (k + self.stride + 1, u * v),
        ];
        if self.any_gone {
            let mut sum = 0.0;
            for (k, w) in &mut out {
                if self.gone[*k] {
                    *w = 0.0;
                }
                sum += *w;
            }
            if sum > 0.0 {
                out.iter_mut().for_each(|(_, w)| *w /= sum);
            }
        }
        out
    }
    /// Rise at a place, between the four nearest centres.
    pub fn at(&self, p: [f64; 2]) -> f64 {
        self.around(p)
            .iter()
            .map(|(k, w)| w * f64::from(self.t[*k]))
            .sum()
    }
    /// Rise of the slide under a place.
    pub fn slide_at(&self, p: [f64; 2]) -> f64 {
        self.around(p)
            .iter()
            .map(|(k, w)| w * f64::from(self.slide[*k]))
            .sum()
    }
    pub(super) fn slide(&self) -> &[f32] {
        &self.slide
    }
    /// Warmest place of the slide, K.
    pub fn slide_peak(&self) -> f32 {
        self.slide.iter().copied().fold(0.0, f32::max)
    }
    /// Puts heat in at a place; answers the cells and their rises.
    pub fn heat(&mut self, p: [f64; 2], joule: f64) -> [(usize, f32); 4] {
        self.put(self.around(p), joule)
    }
    fn put(&mut self, around: [(usize, f64); 4], joule: f64) -> [(usize, f32); 4] {
        let per_joule = 1.0 / self.cell_j_k();
        let out = around.map(|(k, w)| (k, (joule * w * per_joule) as f32));
        for (k, rise) in out {
            self.t[k] += rise;
            self.energy.put_in_j += f64::from(rise) / per_joule;
        }
        out
    }
    /// Puts heat in on a cut along `a` to `b`, at its middle: half of it on either side. By distance alone a cut
    /// beside a cell's centre would leave nearly all of its heat to one side.
    pub(super) fn heat_beside(
        &mut self,
        a: [f64; 2],
        b: [f64; 2],
        joule: f64,
    ) -> [(usize, f32); 4] {
        let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
        let around = self.around(middle);
        if self.rays.count() > 1 {
            return self.put(around, joule);
        }
        let mut weights = around.map(|(_, w)| w);
        let way = [0, 1].map(|i| (b[i] - a[i]) / self.cell_mm[i]);
        even_sides(&mut weights, self.cells(middle), [self.nx, self.ny], way);
        self.put(std::array::from_fn(|n| (around[n].0, weights[n])), joule)
    }
    /// Weakens the links that the segment crosses to `factor` of a whole one, or the rays of them; 0 severs them.
    /// Pairs of cells with nothing left between them are added to `severed`.
    pub fn cut(&mut self, a: [f64; 2], b: [f64; 2], factor: f32, severed: &mut Vec<[usize; 2]>) {
        let ends = [self.cells(a), self.cells(b)];
        let (full, stride) = (self.full, self.stride);
        let mut links = [&mut self.gx, &mut self.gy];
        let size = [self.nx, self.ny];
        self.rays.cut(ends, size, stride, factor, |axis, k, left| {
            let link = &mut links[axis][k];
            *link = link.min(full[axis] * left);
            if left == 0.0 {
                severed.push([k, k + if axis == 0 { 1 } else { stride }]);
            }
        });
    }
    /// One step of conduction.
    pub fn step(&mut self) {
        let whole = [[1, self.nx], [1, self.ny]];
        self.x_first = !self.x_first;
        let before = if self.foil.clamped { self.total() } else { 0.0 };
        let mut t = std::mem::take(&mut self.t);
        let mut scratch = std::mem::take(&mut self.scratch);
        self.step_other(&mut t, &mut scratch, whole);
        (self.t, self.scratch) = (t, scratch);
        if self.foil.clamped {
            self.energy.lost_j += (before - self.total()) * self.cell_j_k();
        }
    }
    /// The same step of another field on the same links, within a window.
    pub(super) fn step_other(&self, t: &mut [f32], scratch: &mut Scratch, window: Window) {
        let links = Links {
            gx: &self.gx,
            gy: &self.gy,
            stride: self.stride,
        };
        if self.units.1 == 1 {
            let by = (self.units.0 as f32, self.x_first);
            links.explicit(t, &mut scratch[0], window, by);
        } else {
            links.advance(t, scratch, window, self.units, &|_, _| {});
        }
    }
    fn total(&self) -> f64 {
        self.t.chunks(self.stride).map(sum_row).sum()
    }
    /// Exchange with the slide, and of the slide with what it lies on, over `seconds`.
    ///
    /// Foil and slide relax towards each other exactly; the slide's own loss follows. Conduction in the
    /// slide's plane is left out: 1 mm of glass evens out over tens of seconds only.
    pub fn lose(&mut self, seconds: f64) {
        let f = &self.foil;
        let finite = f.slide_j_m2_k.is_finite();
        let ratio = f.capacity_j_m2_k / f.slide_j_m2_k;
        let rate = f.loss_w_m2_k * (1.0 / f.capacity_j_m2_k + 1.0 / f.slide_j_m2_k);
        let share = (-libm::expm1(-rate * seconds) / (1.0 + ratio)) as f32;
        let back = -libm::expm1(-f.slide_loss_w_m2_k * seconds / f.slide_j_m2_k) as f32;
        let to_slide = ratio as f32;
        let cell = self.cell_j_k();
        let slide_cell = cell / ratio;
        for j in 1..=self.ny {
            let row = j * self.stride + 1..j * self.stride + 1 + self.nx;
            let (t, slide) = (&mut self.t[row.clone()], &mut self.slide[row.clone()]);
            let lost = if !finite {
                let kept = 1.0 - share;
                let lost = (1.0 - f64::from(kept)) * sum_row(t);
                scale_row(t, kept);
                cell * lost
            } else {
                if self.any_gone {
                    for ((t, slide), gone) in t.iter_mut().zip(&mut *slide).zip(&self.gone[row]) {
                        let share = if *gone { 0.0 } else { share };
                        exchange(t, slide, [share, to_slide, back]);
                    }
                } else {
                    exchange_row(t, slide, [share, to_slide, back]);
                }
                // Of what the slide had, this is left.
                let left = 1.0 - f64::from(back);
                slide_cell * sum_row(slide) * f64::from(back) / left
            };
            self.energy.lost_j += lost;
        }
    }
    /// Part of the foil's heat that stays after `seconds` of loss.
    pub(super) fn kept(&self, seconds: f64) -> f32 {
        libm::exp(-seconds / self.foil.tau_s()) as f32
    }
    /// The energy account as it stands.
    pub fn account(&mut self) -> Energy {
        let sum = |v: &[f32]| v.iter().map(|x| f64::from(*x)).sum::<f64>();
        let cell = self.cell_j_k();
        let mut stored = sum(&self.t) * cell;
        if self.foil.slide_j_m2_k.is_finite() {
            stored += sum(&self.slide) * cell * self.foil.slide_j_m2_k / self.foil.capacity_j_m2_k;
        }
        self.energy.stored_j = stored;
        self.energy
    }
    pub fn is_gone(&self, k: usize) -> bool {
        self.gone[k]
    }
    /// Lets the smaller piece beside a severed link fall if it hangs on nothing; answers whether it did.
    pub(super) fn let_fall(&mut self, pair: [usize; 2]) -> bool {
        if pair.iter().any(|k| self.gone[*k]) {
            return false;
        }
        let Some(piece) = self.smaller_piece(pair) else {
            return false;
        };
        let cell = self.cell_j_k();
        for k in piece {
            self.energy.left_j += f64::from(self.t[k]) * cell;
            self.t[k] = 0.0;
            self.gone[k] = true;
        }
        self.any_gone = true;
        true
    }
    fn neighbours(&self, k: usize) -> [(usize, f32); 4] {
        let w = self.stride;
        [
            (k + 1, self.gx[k]),
            (k - 1, self.gx[k - 1]),
            (k + w, self.gy[k]),
            (k - w, self.gy[k - w]),
        ]
    }
    fn inside(&self, k: usize) -> bool {
        let (i, j) = (k % self.stride, k / self.stride);
        (1..=self.nx).contains(&i) && (1..=self.ny).contains(&j)
    }
    /// Floods from both cells in turn; the piece that is exhausted first, `None` when they are joined.
    fn smaller_piece(&self, pair: [usize; 2]) -> Option<Vec<usize>> {
        let mut owner: rustc_hash::FxHashMap<usize, usize> = rustc_hash::FxHashMap::default();
        let mut found = [vec![pair[0]], vec![pair[1]]];
        let mut next = [0usize; 2];
        owner.insert(pair[0], 0);
        owner.insert(pair[1], 1);
        loop {
            for side in 0..2 {
                let Some(&k) = found[side].get(next[side]) else {
                    return Some(std::mem::take(&mut found[side]));
                };
                next[side] += 1;
                for (n, link) in self.neighbours(k) {
                    if link > 0.0 && self.inside(n) {
                        match owner.get(&n) {
                            Some(o) if *o != side => return None,
                            Some(_) => {}
                            None => {
                                owner.insert(n, side);
                                found[side].push(n);
                            }
                        }
                    }
                }
            }
        }
    }
    /// For each cell (row by row, no ghosts): whether it is cut off from the largest piece.
    pub fn cut_free(&self) -> Vec<bool> {
        let mut label = vec![0u32; self.t.len()];
        let (mut sizes, mut stack) = (vec![0usize], Vec::new());
        for start in (0..self.t.len()).filter(|k| self.inside(*k)) {
            if label[start] != 0 {
                continue;
            }
            let name = sizes.len() as u32;
            sizes.push(0);
            label[start] = name;
            stack.push(start);
            while let Some(k) = stack.pop() {
                sizes[name as usize] += 1;
                for (n, link) in self.neighbours(k) {
                    if link > 0.0 && self.inside(n) && label[n] == 0 {
                        label[n] = name;
                        stack.push(n);
                    }
                }
            }
        }
        let largest = (1..sizes.len())
            .rev()
            .max_by_key(|i| sizes[*i])
            .unwrap_or(1) as u32;
        self.rows(|k| label[k] != largest)
    }
    /// A value of each cell, row by row, without ghosts.
    pub fn rows<T>(&self, value: impl Fn(usize) -> T) -> Vec<T> {
        let mut out = Vec::with_capacity(self.nx * self.ny);
        for j in 1..=self.ny {
            out.extend((1..=self.nx).map(|i| value(j * self.stride + i)));
        }
        out
    }
}

/// Shares the weights of the four cells around a place (`[0, 0]`, `[1, 0]`, `[0, 1]`, `[1, 1]` of the square between
/// their centres; all in cells, of a sheet of `size`) so that those left of a line along `way` through it have half, and
/// those right half. Between the outermost centres and the edge they stay as they are.
pub(super) fn even_sides(weights: &mut [f64; 4], place: [f64; 2], size: [usize; 2], way: [f64; 2]) {
    if (0..2).any(|i| place[i] < 1.0 || place[i] >= size[i] as f64) {
        return;
    }
    let at = place.map(f64::fract);
    let side = |n: usize| {
        let (x, y) = ((n % 2) as f64 - at[0], (n / 2) as f64 - at[1]);
        usize::from(way[0] * y - way[1] * x > 0.0)
    };
    let mut sums = [0.0; 2];
    for (n, w) in weights.iter().enumerate() {
        sums[side(n)] += w;
    }
    if sums[0] > 0.0 && sums[1] > 0.0 {
        for (n, w) in weights.iter_mut().enumerate() {
            *w *= 0.5 / sums[side(n)];
        }
    }
}
