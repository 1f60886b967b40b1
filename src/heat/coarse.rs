//! A coarse sheet without slots: what ordering asks for temperatures while it plans.
//!
//! On regular masks it ranks places as well as a fine grid with slots does, at a thousandth of the cost.

use super::Foil;

/// Equal square-ish cells with a border of ghost cells. Temperatures above rest, kelvin, f32.
#[derive(Debug, Clone)]
pub struct CoarseSheet {
    nx: usize,
    ny: usize,
    stride: usize,
    origin_mm: [f64; 2],
    cell_mm: [f64; 2],
    t: Vec<f32>,
    next: Vec<f32>,
    ax: f32,
    ay: f32,
    decay: f32,
    dt_s: f64,
    pending_s: f64,
    /// Kelvin per joule put into one cell.
    k_per_j: f64,
    clamped: bool,
}

impl CoarseSheet {
    /// Cells of about `dx_mm` over `sheet_mm` (x min, y min, x max, y max).
    pub fn new(sheet_mm: [f64; 4], dx_mm: f64, foil: &Foil) -> CoarseSheet {
        let span = [
            (sheet_mm[2] - sheet_mm[0]).max(1e-3),
            (sheet_mm[3] - sheet_mm[1]).max(1e-3),
        ];
        let count = |w: f64| ((w / dx_mm).round() as usize).clamp(2, 4000);
        let (nx, ny) = (count(span[0]), count(span[1]));
        let cell_mm = [span[0] / nx as f64, span[1] / ny as f64];
        let (hx, hy) = (cell_mm[0] * 1e-3, cell_mm[1] * 1e-3);
        let dt_s = 0.4 / (foil.alpha_m2_s * (1.0 / (hx * hx) + 1.0 / (hy * hy)));
        let size = (nx + 2) * (ny + 2);
        CoarseSheet {
            nx,
            ny,
            stride: nx + 2,
            origin_mm: [sheet_mm[0], sheet_mm[1]],
            cell_mm,
            t: vec![0.0; size],
            next: vec![0.0; size],
            ax: (foil.alpha_m2_s * dt_s / (hx * hx)) as f32,
            ay: (foil.alpha_m2_s * dt_s / (hy * hy)) as f32,
            decay: libm::exp(-dt_s / foil.tau_s()) as f32,
            dt_s,
            pending_s: 0.0,
            k_per_j: 1.0 / (foil.capacity_j_m2_k * hx * hy),
            clamped: foil.clamped,
        }
    }
    pub fn dt_s(&self) -> f64 {
        self.dt_s
    }
    /// A place in cell units, kept on the sheet, ready for [`CoarseSheet::at`].
    pub fn place(&self, p_mm: [f64; 2]) -> [f32; 2] {
        let u = |i: usize| ((p_mm[i] - self.origin_mm[i]) / self.cell_mm[i] + 0.5) as f32;
        self.keep([u(0), u(1)])
    }
    fn keep(&self, p: [f32; 2]) -> [f32; 2] {
        // Never as far as the outermost centre: the cell beyond is read too.
        [
            p[0].clamp(1.0, self.nx as f32 - 1e-3),
            p[1].clamp(1.0, self.ny as f32 - 1e-3),
        ]
    }
    /// A length in cell units.
    pub fn cells_of(&self, mm: f64) -> f32 {
        (mm / (self.cell_mm[0] * self.cell_mm[1]).sqrt()) as f32
    }
    /// Rise at a place, between the four nearest centres.
    pub fn at(&self, p: [f32; 2]) -> f32 {
        let (i, j) = (p[0] as usize, p[1] as usize);
        let (u, v) = (p[0] - i as f32, p[1] - j as f32);
        let k = j * self.stride + i;
        let (a, b) = (self.t[k], self.t[k + 1]);
        let (c, d) = (self.t[k + self.stride], self.t[k + self.stride + 1]);
        let low = a + u * (b - a);
        let high = c + u * (d - c);
        low + v * (high - low)
    }
    /// Mean rise on a ring of eight places around `p`.
    pub fn ring(&self, p: [f32; 2], radius_cells: f32) -> f32 {
        const D: f32 = std::f32::consts::FRAC_1_SQRT_2;
        const WAYS: [[f32; 2]; 8] = [
            [1.0, 0.0],
            [D, D],
            [0.0, 1.0],
            [-D, D],
            [-1.0, 0.0],
            [-D, -D],
            [0.0, -1.0],
            [D, -D],
        ];
        let sum: f32 = WAYS
            .iter()
            .map(|w| self.at(self.keep([p[0] + radius_cells * w[0], p[1] + radius_cells * w[1]])))
            .sum();
        sum / 8.0
    }
    /// Puts heat in, shared between the four nearest centres.
    pub fn heat(&mut self, p: [f32; 2], joule: f64) {
        let (i, j) = (p[0] as usize, p[1] as usize);
        let (u, v) = (p[0] - i as f32, p[1] - j as f32);
        let k = j * self.stride + i;
        let rise = (joule * self.k_per_j) as f32;
        self.t[k] += rise * (1.0 - u) * (1.0 - v);
        self.t[k + 1] += rise * u * (1.0 - v);
        self.t[k + self.stride] += rise * (1.0 - u) * v;
        self.t[k + self.stride + 1] += rise * u * v;
    }
    /// The field that many small heats (place, joule) add, for [`CoarseSheet::heat_field`].
    pub fn source(&self, heats: &[([f32; 2], f64)]) -> Vec<f32> {
        let mut other = self.clone();
        other.clear();
        for (p, joule) in heats {
            other.heat(*p, *joule);
        }
        other.t
    }
    /// Adds a field of [`CoarseSheet::source`].
    pub fn heat_field(&mut self, field: &[f32]) {
        self.t.iter_mut().zip(field).for_each(|(t, f)| *t += f);
    }
    /// Lets time pass, in whole steps; what is left over is kept for the next call.
    pub fn wait(&mut self, seconds: f64) {
        self.pending_s += seconds;
        while self.pending_s >= self.dt_s {
            self.pending_s -= self.dt_s;
            self.step();
        }
    }
    fn step(&mut self) {
        let (nx, ny, w) = (self.nx, self.ny, self.stride);
        // Ghost cells mirror the edge (insulated) or its negative (held at rest).
        let sign = if self.clamped { -1.0 } else { 1.0 };
        for j in 1..=ny {
            self.t[j * w] = sign * self.t[j * w + 1];
            self.t[j * w + nx + 1] = sign * self.t[j * w + nx];
        }
        for i in 1..=nx {
            self.t[i] = sign * self.t[w + i];
            self.t[(ny + 1) * w + i] = sign * self.t[ny * w + i];
        }
        let (ax, ay, decay) = (self.ax, self.ay, self.decay);
        for j in 1..=ny {
            let row = |k: usize| &self.t[k * w..(k + 1) * w];
            let (up, mid, down) = (row(j - 1), row(j), row(j + 1));
            let out = &mut self.next[j * w + 1..j * w + 1 + nx];
            let (left, here, right) = (&mid[..nx], &mid[1..=nx], &mid[2..nx + 2]);
            let (up, down) = (&up[1..=nx], &down[1..=nx]);
            for i in 0..nx {
                let c = here[i];
                out[i] = decay
                    * (c + ax * (left[i] + right[i] - 2.0 * c) + ay * (up[i] + down[i] - 2.0 * c));
            }
        }
        std::mem::swap(&mut self.t, &mut self.next);
    }
    /// Forgets all heat.
    pub fn clear(&mut self) {
        self.t.fill(0.0);
        self.next.fill(0.0);
        self.pending_s = 0.0;
    }
}
