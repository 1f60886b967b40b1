//! A slotted web heated by rows of short cuts: how hot the foil beside the rows gets.

use super::closed_form::{Web, moving_peak};
use std::f64::consts::PI;

/// Rows of dashes across the middle of a web, in fresh foil, one after the other. SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WebRows {
    pub width_m: f64,
    pub length_m: f64,
    pub dash_m: f64,
    pub rows: u32,
    /// From one dash to the next along the web once all rows are in.
    pub step_m: f64,
    /// Energy of the beam in a dash.
    pub dash_j: f64,
    /// Time in which the beam makes a dash, all passes.
    pub dash_s: f64,
    /// From one row to the next at the same place.
    pub delay_s: f64,
    /// Speed at which a row grows.
    pub sweep_m_s: f64,
    /// Power and speed of a pass over a slot.
    pub power_w: f64,
    pub cut_m_s: f64,
}

/// The foil of the web: heat capacity per area, J/m2K, and conductivity times thickness, W/K.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    pub capacity_j_m2_k: f64,
    pub sheet_w_k: f64,
}

/// Places looked at: between the dashes and a slot, as parts of the way from the dashes; along the web, as parts of
/// the way from one dash of the last row to the next.
const ACROSS: [f64; 4] = [0.2, 0.45, 0.7, 0.9];
const ALONG: [f64; 4] = [0.0, 0.25, 0.5, 0.75];
const PLACES: usize = ACROSS.len() * ALONG.len();
/// Times looked at, from when the last row passes a place.
const TIMES: usize = 20;

/// The response of one web, ready to be asked for any time constant of the loss.
#[derive(Debug, Clone)]
pub struct Response {
    /// For every place: peak of the slots' own heat, for a heat fraction of 1.
    slots: [f64; PLACES],
    /// For every place along and every time: age of each dash, and the rise it leaves at the places across, without loss.
    ages: Vec<Vec<(f64, [f64; ACROSS.len()])>>,
}

impl WebRows {
    /// The web as the heat of a row finds it. Slits of length d in a strip of width w resist like
    /// (2 w / pi) ln sec(pi d / 2 w) more of the strip each (a row of slits, from memory), together like the strip
    /// without their part of its width. Ahead of the row lie the slits of the rows before, behind it its own, too;
    /// rows that follow closely, against what heat flows ahead of them, have all theirs behind.
    fn web(&self, alpha: f64, row: u32) -> Web {
        let (d, w) = (self.dash_m, self.width_m);
        let each = 2.0 * w / PI * -libm::log(libm::cos(PI * d / (2.0 * w)));
        let along = |rows: f64| {
            let step = self.step_m * f64::from(self.rows) / rows.max(1e-9);
            (step / (step + each)).max(1.0 - d / w)
        };
        let (gap, flow) = (self.sweep_m_s * self.delay_s, alpha / self.sweep_m_s);
        let apart = gap / (gap + flow);
        let (before, after) = (f64::from(row), f64::from(self.rows - row - 1));
        Web {
            width_m: w,
            length_m: self.length_m,
            along: 0.5 * (along(before * apart) + along(before + 1.0 + after * (1.0 - apart))),
        }
    }
    pub fn response(&self, sheet: &Sheet) -> Response {
        let alpha = sheet.sheet_w_k / sheet.capacity_j_m2_k;
        let (w, step, rows) = (self.width_m, self.step_m, f64::from(self.rows));
        let outer = self.dash_m / 2.0;
        let across = ACROSS.map(|f| outer + f * (w / 2.0 - outer));
        let mut slots = [0.0; PLACES];
        for (slot, y) in slots.iter_mut().zip(across.iter().cycle()) {
            *slot = self.power_w * moving_peak(sheet.sheet_w_k, alpha, self.cut_m_s, w / 2.0 - y);
        }
        let webs: Vec<Web> = (0..self.rows).map(|row| self.web(alpha, row)).collect();
        let count = libm::round(self.length_m / step) as u32;
        // A dash takes about as long as its heat takes to leave it: three releases.
        let releases = [-1.0 / 3.0, 0.0, 1.0 / 3.0];
        let dashes: Vec<(usize, f64, f64)> = (0..count)
            .flat_map(|i| releases.map(|part| (i, part * self.dash_s)))
            .map(|(i, shift)| {
                let x = (f64::from(i) + 0.5) * step - self.length_m / 2.0;
                let row = i % self.rows;
                let at = f64::from(row) * self.delay_s + x / self.sweep_m_s + shift;
                (row as usize, x, at)
            })
            .collect();
        let rise = self.dash_j / releases.len() as f64 / sheet.capacity_j_m2_k;
        // From when heat has crossed a part of the web to when it has spread over it, and the rows have gone by.
        let from = 0.01 * w * w / alpha;
        let to = 0.15 * w * w / alpha
            + 4.0 * alpha / (self.sweep_m_s * self.sweep_m_s)
            + rows * step / self.sweep_m_s;
        let mut ages = Vec::with_capacity(ALONG.len() * TIMES);
        for part in ALONG {
            let x = part * rows * step;
            let passed = (rows - 1.0) * self.delay_s + x / self.sweep_m_s;
            for n in 0..TIMES {
                let now = passed + from * libm::pow(to / from, n as f64 / (TIMES - 1) as f64);
                let felt = dashes.iter().filter(|d| d.2 < now).map(|(row, at, when)| {
                    let (web, age) = (&webs[*row], now - when);
                    let along = rise * web.along(alpha, *at, x, age);
                    (
                        age,
                        across.map(|y| along * web.across(alpha, self.dash_m, y, age)),
                    )
                });
                ages.push(felt.filter(|(_, r)| r[0] > 1e-9 * rise / (w * w)).collect());
            }
        }
        Response { slots, ages }
    }
}

impl Response {
    /// Peak rise for a heat fraction of 1 at the place between dashes and slot that stays coolest: where it is
    /// below a mark's temperature, foil is left bright.
    pub fn rise_k(&self, tau_s: f64) -> f64 {
        let mut peaks = self.slots;
        for (i, felt) in self.ages.iter().enumerate() {
            let mut sums = [0.0; ACROSS.len()];
            for (age, rises) in felt {
                let kept = libm::exp(-age / tau_s);
                for (sum, rise) in sums.iter_mut().zip(rises) {
                    *sum += kept * rise;
                }
            }
            let first = i / TIMES * ACROSS.len();
            for (peak, sum) in peaks[first..].iter_mut().zip(sums) {
                *peak = peak.max(sum);
            }
        }
        peaks.into_iter().fold(f64::INFINITY, f64::min)
    }
}
