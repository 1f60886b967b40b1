//! Heat fraction and loss to the slide from a ladder of webs read by tint.
//!
//! A rung turns where its peak rise eta r(tau) passes the mark's threshold, which differs a little from rung to
//! rung: P(tinted) = Phi((b + ln r(tau)) / s) with b = ln(eta / threshold rise) and s the spread. Penalised
//! maximum likelihood over b, tau and s on a grid; 95 % intervals from the profile of the likelihood (Wilks 1938,
//! from memory). The loss follows from tau without the threshold's temperature; the heat fraction carries the
//! temperature's uncertainty.

use super::pulse::Interval;
use super::{FitError, RecipeLine, Table};
use crate::heat::{Sheet, WebRows};
use serde::Serialize;
use std::collections::BTreeMap;

/// A rung as read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rung {
    pub web_um: f64,
    pub spacing_um: f64,
    pub dash_um: f64,
    pub delay_s: f64,
    pub sweep_mm_s: f64,
    pub tinted: bool,
}

/// What all rungs have in common, as the coupon's table states it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ladder {
    pub length_mm: f64,
    pub rows: u32,
    /// Energy of the beam per length of one pass.
    pub pass_j_m: f64,
    pub passes: f64,
    pub cut_speed_mm_s: f64,
    pub sheet: Sheet,
    /// Temperature of the mark, half-width of its 95 % interval, temperature of the workshop, C.
    pub mark_c: f64,
    pub mark_uncertainty_c: f64,
    pub room_c: f64,
}

impl Ladder {
    /// The web of a rung, as the heat model takes it.
    pub fn rows_of(&self, rung: &Rung) -> WebRows {
        WebRows {
            width_m: rung.web_um * 1e-6,
            length_m: self.length_mm * 1e-3,
            dash_m: rung.dash_um * 1e-6,
            rows: self.rows,
            step_m: rung.spacing_um * 1e-6,
            dash_j: self.pass_j_m * self.passes * rung.dash_um * 1e-6,
            dash_s: rung.dash_um * 1e-3 / self.cut_speed_mm_s * self.passes,
            delay_s: rung.delay_s,
            sweep_m_s: rung.sweep_mm_s * 1e-3,
            power_w: self.pass_j_m * self.cut_speed_mm_s * 1e-3,
            cut_m_s: self.cut_speed_mm_s * 1e-3,
        }
    }
}

/// The loss, as far as the ladder tells it, W/m2K.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Loss {
    pub value: f64,
    /// `None` where the readings give no bound.
    pub low_95: Option<f64>,
    pub high_95: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TintFit {
    pub readings: usize,
    pub tinted: usize,
    /// Fraction of the beam's energy that stays as heat.
    pub absorbed_fraction: Interval,
    /// Share of the interval that comes from the mark's temperature, as a relative half-width.
    pub from_mark_95: f64,
    /// Share that comes from the heat model: logarithms of the factors by which heat fraction and loss may be off.
    pub from_model_95: [f64; 2],
    pub loss_w_m2_k: Loss,
    pub tau_s: f64,
    /// Standard deviation of the threshold from rung to rung, relative.
    pub spread: f64,
    pub warnings: Vec<String>,
    /// Delay, and the width of web that just turns: least, fitted, greatest (95 %), um.
    #[serde(skip)]
    pub frontier: Vec<[f64; 4]>,
}

/// Losses searched, W/m2K, and how many.
const LOSS: [f64; 2] = [10.0, 20_000.0];
const LOSSES: usize = 64;
/// Spreads searched, how many, and where they are held while the readings do not tell (common practice, no
/// source: tints of neighbouring webs differ by some per cent).
const SPREAD: [f64; 2] = [0.02, 0.6];
const SPREADS: usize = 12;
const USUAL_SPREAD: [f64; 2] = [0.08, 0.6];
const FRACTION_STEP: f64 = 0.02;
/// Logarithm of the ratio of delays that count as alike in the plotted line.
const LIKE_DELAYS: f64 = 0.6;
/// Half the 95 % quantile of chi squared with one degree of freedom.
const DROP: f64 = 1.920_73;
/// How far the closed form may be off, the same for all rungs and beside the readings' own uncertainty (95 %), as logarithms
/// of heat fraction and loss: a part that is always there, and one that grows with the loss, at 1,000 W/m2K. Against the
/// fine solver with 20 cells across a web, rises of rows at once were within 4 % for webs of 0.24 to 1.8 mm. Rows that
/// follow later were up to 7 % hotter at 500 W/m2K and up to 17 % at 1,500 on webs of 0.2 mm: the slide below warms,
/// which the closed form leaves out.
const MODEL: [f64; 2] = [0.08, 0.12];
const MODEL_LOSS: [f64; 2] = [0.3, 0.45];
const MOST_READINGS: usize = 2_000;
/// Most different webs: each is worked out once.
const MOST_KINDS: usize = 120;
const MOST_DASHES: f64 = 1_000.0;
const MOST_ROWS: f64 = 12.0;

/// Reads a ladder's table; rungs with a blank `tinted` were not told. What the rungs have in common may stand in
/// the first row only.
///
/// # Errors
/// Missing columns, numbers that make no ladder, words that are neither yes nor no, fewer than eight readings.
pub fn read(table: &Table) -> Result<(Ladder, Vec<Rung>), FitError> {
    const COMMON: [&str; 10] = [
        "length_mm",
        "rows",
        "pass_j_m",
        "passes",
        "cut_speed_mm_s",
        "capacity_j_m2_k",
        "sheet_w_k",
        "mark_c",
        "mark_uncertainty_c",
        "room_c",
    ];
    table.need(&[
        "web_um",
        "delay_s",
        "tinted",
        "spacing_um",
        "dash_um",
        "sweep_mm_s",
    ])?;
    table.need(&COMMON)?;
    let first = table
        .rows()
        .next()
        .ok_or_else(|| table.error("holds no readings"))?;
    let mut common = [0.0; COMMON.len()];
    for (value, name) in common.iter_mut().zip(COMMON) {
        *value = match name {
            // Freezing workshops and exact marks are allowed.
            "room_c" | "mark_uncertainty_c" => first
                .number(name)?
                .ok_or_else(|| first.error(format!("{name} is blank")))?,
            _ => first.required(name)?,
        };
    }
    let [
        length_mm,
        rows,
        pass_j_m,
        passes,
        cut_speed_mm_s,
        capacity_j_m2_k,
        sheet_w_k,
        mark_c,
        mark_uncertainty_c,
        room_c,
    ] = common;
    if rows.fract() != 0.0 || rows > MOST_ROWS || passes.fract() != 0.0 {
        return Err(first.error(format!(
            "rows is {rows} and passes {passes}: write whole numbers, at most {MOST_ROWS} rows"
        )));
    }
    let rise = mark_c - room_c;
    if rise < 20.0 || !(0.0..=0.8 * rise).contains(&mark_uncertainty_c) {
        return Err(first.error(format!(
            "mark_c is {mark_c} +-{mark_uncertainty_c} C at room_c {room_c}: the mark must lie 20 C or more above the room, its uncertainty between 0 and 0.8 of that"
        )));
    }
    let mut rungs = Vec::new();
    let mut kinds = BTreeMap::new();
    for row in table.rows() {
        for (value, name) in common.iter().zip(COMMON) {
            if let Some(v) = row.number(name)?
                && v != *value
            {
                return Err(row.error(format!(
                    "{name} is {v}, but {value} in the first row: one table holds one ladder"
                )));
            }
        }
        let tinted = match row.word("tinted").as_str() {
            "" => continue,
            "yes" | "y" | "1" | "true" => true,
            "no" | "n" | "0" | "false" => false,
            other => {
                return Err(row.error(format!(
                    "tinted is `{other}`: write yes or no, or leave it blank where you cannot tell"
                )));
            }
        };
        let rung = Rung {
            web_um: row.required("web_um")?,
            dash_um: row.required("dash_um")?,
            spacing_um: row.required("spacing_um")?,
            delay_s: match row.number("delay_s")? {
                Some(v) if v >= 0.0 => v,
                Some(v) => return Err(row.error(format!("delay_s is {v}: it is 0 or greater"))),
                None => return Err(row.error("delay_s is blank")),
            },
            sweep_mm_s: row.required("sweep_mm_s")?,
            tinted,
        };
        if rung.dash_um > 0.9 * rung.web_um || rung.web_um > 500.0 * length_mm {
            return Err(row.error(format!(
                "dash_um is {}, web_um {} and length_mm {length_mm}: a dash is at most 0.9 of a web, a web at most half as wide as long",
                rung.dash_um, rung.web_um
            )));
        }
        let dashes = 1e3 * length_mm / rung.spacing_um;
        if !(2.0 * rows..=MOST_DASHES).contains(&dashes) {
            return Err(row.error(format!(
                "spacing_um is {}: on a web of length_mm {length_mm} these are {dashes:.0} dashes; a web has at least 2 in each of its {rows} rows, {MOST_DASHES} at most",
                rung.spacing_um
            )));
        }
        kinds.insert(key(&rung), row.line);
        if kinds.len() > MOST_KINDS {
            return Err(row.error(format!(
                "is one of more than {MOST_KINDS} different webs: a ladder repeats a few dozen"
            )));
        }
        rungs.push(rung);
    }
    if rungs.len() < 8 {
        return Err(table.error(format!(
            "tinted is filled in {} times: heat fraction and loss need at least 8 rungs, some tinted and some not",
            rungs.len()
        )));
    }
    if rungs.len() > MOST_READINGS {
        return Err(table.error(format!(
            "holds {} readings: keep at most {MOST_READINGS}",
            rungs.len()
        )));
    }
    let ladder = Ladder {
        length_mm,
        rows: rows as u32,
        pass_j_m,
        passes,
        cut_speed_mm_s,
        sheet: Sheet {
            capacity_j_m2_k,
            sheet_w_k,
        },
        mark_c,
        mark_uncertainty_c,
        room_c,
    };
    Ok((ladder, rungs))
}

/// Tells rungs of one kind from others.
fn key(r: &Rung) -> [u64; 5] {
    [r.web_um, r.dash_um, r.spacing_um, r.delay_s, r.sweep_mm_s].map(f64::to_bits)
}

/// A ladder with the rise of every kind of rung worked out for all losses; readings of it are then fitted quickly.
#[derive(Debug, Clone)]
pub struct Model {
    ladder: Ladder,
    ln_tau: Vec<f64>,
    /// Logarithm of the rise for a heat fraction of 1, for each time constant.
    ln_rise: BTreeMap<[u64; 5], Vec<f64>>,
}

impl Model {
    pub fn new(ladder: &Ladder, rungs: &[Rung]) -> Model {
        let [most, least] = LOSS.map(|h| libm::log(ladder.sheet.capacity_j_m2_k / h));
        let ln_tau: Vec<f64> = (0..LOSSES)
            .map(|i| least + (most - least) * i as f64 / (LOSSES - 1) as f64)
            .collect();
        let mut ln_rise = BTreeMap::new();
        for rung in rungs {
            ln_rise.entry(key(rung)).or_insert_with(|| {
                let response = ladder.rows_of(rung).response(&ladder.sheet);
                (ln_tau.iter())
                    .map(|t| libm::log(response.rise_k(libm::exp(*t))))
                    .collect()
            });
        }
        Model {
            ladder: *ladder,
            ln_tau,
            ln_rise,
        }
    }

    /// Fits readings of the ladder's rungs.
    ///
    /// # Errors
    /// Words, where no rung or every rung is tinted: that gives a bound only.
    pub fn fit(&self, rungs: &[Rung]) -> Result<TintFit, String> {
        let rises: Vec<&[f64]> = (rungs.iter())
            .map(|r| self.ln_rise.get(&key(r)).map(Vec::as_slice))
            .collect::<Option<_>>()
            .ok_or("a rung is not one of this ladder's")?;
        let threshold = self.ladder.mark_c - self.ladder.room_c;
        let tinted = rungs.iter().filter(|r| r.tinted).count();
        let ends = |values: &mut dyn Iterator<Item = f64>| {
            values.fold([f64::MAX, f64::MIN], |[a, b], v| [a.min(v), b.max(v)])
        };
        if rises.iter().any(|r| r.iter().any(|v| !v.is_finite())) {
            return Err("the numbers of the table make no web that heat can be worked out for: are all of them as the coupon wrote them?".into());
        }
        let [coolest, hottest] = ends(&mut rises.iter().flat_map(|r| r.iter().copied()));
        if tinted == 0 {
            let most = ends(&mut rises.iter().map(|r| r[LOSSES - 1]))[1];
            return Err(format!(
                "no rung is tinted: the heat fraction lies below {:.3}, or the loss is higher than the ladder's delays can tell; cut a ladder with more power, less speed or more passes, or made for a lower absorbed_fraction (narrower webs)",
                (threshold * libm::exp(-most)).min(1.0)
            ));
        }
        if tinted == rungs.len() {
            let least = ends(&mut rises.iter().map(|r| r[LOSSES - 1]))[0];
            return Err(format!(
                "every rung is tinted: the heat fraction lies above {:.3}; cut a ladder with less power or more speed, or made for a higher absorbed_fraction (wider webs)",
                threshold * libm::exp(-least)
            ));
        }
        // From nothing tinted to all tinted, a little beyond.
        let (from, to) = (-hottest - 0.5, -coolest + 0.5);
        let fractions = (libm::ceil((to - from) / FRACTION_STEP) as usize).clamp(10, 1000);
        let at_fraction = |i: usize| from + (to - from) * i as f64 / (fractions - 1) as f64;
        let ln_spread = |k: usize| {
            let [a, b] = SPREAD.map(libm::log);
            a + (b - a) * k as f64 / (SPREADS - 1) as f64
        };
        let mut by_fraction = vec![f64::MIN; fractions];
        let mut by_tau = vec![f64::MIN; LOSSES];
        // For every tau: the fraction and spread that go best with it.
        let mut best = (f64::MIN, 0, 0, 0);
        for k in 0..SPREADS {
            let away = (ln_spread(k) - libm::log(USUAL_SPREAD[0])) / USUAL_SPREAD[1];
            let per = 1.0 / (libm::exp(ln_spread(k)) * std::f64::consts::SQRT_2);
            for j in 0..LOSSES {
                for (i, by_fraction) in by_fraction.iter_mut().enumerate() {
                    let b = at_fraction(i);
                    // No use in summing on once it is out of every interval.
                    let floor = by_fraction.min(by_tau[j]).max(best.0 - 30.0);
                    let mut sum = -0.5 * away * away;
                    for (rung, rise) in rungs.iter().zip(&rises) {
                        let z = (b + rise[j]) * per;
                        let p = 0.5 * libm::erfc(if rung.tinted { -z } else { z });
                        sum += libm::log(p.max(1e-300));
                        if sum < floor {
                            break;
                        }
                    }
                    *by_fraction = by_fraction.max(sum);
                    by_tau[j] = by_tau[j].max(sum);
                    if sum > best.0 {
                        best = (sum, i, j, k);
                    }
                }
            }
        }
        let fraction = Profile::of(&by_fraction);
        let tau = Profile::of(&by_tau);
        let ln_tau = |x: f64| {
            self.ln_tau[0] + (self.ln_tau[LOSSES - 1] - self.ln_tau[0]) * x / (LOSSES - 1) as f64
        };
        let b = |x: f64| from + (to - from) * x / (fractions - 1) as f64;
        let loss = |x: f64| self.ladder.sheet.capacity_j_m2_k / libm::exp(ln_tau(x));
        // A slow loss has a long tau: the bounds change sides.
        let value = loss(tau.top);
        let grown = |[always, lossy]: [f64; 2]| libm::hypot(always, lossy * value / 1e3);
        let (model, model_loss) = (grown(MODEL), grown(MODEL_LOSS));
        let off = |x: f64| libm::exp(libm::hypot(libm::log(loss(x) / value), model_loss));
        let loss = Loss {
            value,
            low_95: tau.high.map(|x| value / off(x)),
            high_95: tau.low.map(|x| value * off(x)),
        };
        let fitted = b(fraction.top);
        let [low, high] = [
            fraction.low.map_or(from, b) - fitted,
            fraction.high.map_or(to, b) - fitted,
        ];
        let relative = self.ladder.mark_uncertainty_c / threshold;
        let eta = threshold * libm::exp(fitted);
        let absorbed_fraction = Interval {
            value: eta,
            low_95: eta
                * libm::exp(-libm::hypot(
                    libm::hypot(low, model),
                    libm::log1p(-relative.min(0.99)),
                )),
            high_95: eta * libm::exp(libm::hypot(libm::hypot(high, model), libm::log1p(relative))),
        };
        let mut fit = TintFit {
            readings: rungs.len(),
            tinted,
            absorbed_fraction,
            from_mark_95: relative,
            from_model_95: [model, model_loss],
            loss_w_m2_k: loss,
            tau_s: libm::exp(ln_tau(tau.top)),
            spread: libm::exp(ln_spread(best.3)),
            warnings: Vec::new(),
            frontier: self.frontier(rungs, tau.top, [low + fitted, fitted, high + fitted]),
        };
        self.warn(&mut fit, rungs, fraction);
        Ok(fit)
    }

    /// Width of the web that would just turn, at the delays of the rungs: webs are alike, so that the rise goes with
    /// one over it.
    fn frontier(&self, rungs: &[Rung], tau: f64, b: [f64; 3]) -> Vec<[f64; 4]> {
        // Of rungs with like delays the one nearest to the frontier tells it best.
        let mut by_delay: BTreeMap<i64, (f64, f64, f64)> = BTreeMap::new();
        for r in rungs {
            let rises = &self.ln_rise[&key(r)];
            let i = (tau as usize).min(LOSSES - 2);
            let rise = rises[i] + (tau - i as f64) * (rises[i + 1] - rises[i]);
            let (off, turns) = (libm::fabs(rise + b[1]), libm::log(r.web_um) + rise);
            let bin = libm::round(libm::log(r.delay_s + 3e-3) / LIKE_DELAYS) as i64;
            let best = by_delay.entry(bin).or_insert((off, r.delay_s, turns));
            if off < best.0 {
                *best = (off, r.delay_s, turns);
            }
        }
        (by_delay.into_values())
            .map(|(_, delay, turns)| {
                let [low, fitted, high] = b.map(|b| libm::exp(turns + b));
                [delay, low, fitted, high]
            })
            .collect()
    }

    fn warn(&self, fit: &mut TintFit, rungs: &[Rung], fraction: Profile) {
        let quickest = rungs.iter().map(|r| r.delay_s).fold(f64::MAX, f64::min);
        // The ladder of widths: rungs whose rows follow at once.
        let quick = || rungs.iter().filter(|r| r.delay_s <= 1.5 * quickest);
        let turned = quick().filter(|r| r.tinted).count();
        if turned == 0 || turned == quick().count() {
            fit.warnings.push(format!(
                "the ladder of widths does not bracket: {} of its rungs are tinted; cut one {}",
                if turned == 0 { "none" } else { "all" },
                if turned == 0 {
                    "with more power, less speed or narrower webs"
                } else {
                    "with less power, more speed or wider webs"
                }
            ));
        }
        if fraction.low.is_none() || fraction.high.is_none() {
            fit.warnings
                .push("the readings bound the heat fraction on one side only".into());
        }
        let loss = fit.loss_w_m2_k;
        fit.warnings.extend(match (loss.low_95, loss.high_95) {
            (None, None) => Some("the readings do not tell the loss: read more rungs, of other delays".to_owned()),
            (None, Some(most)) => Some(format!(
                "the loss is at most {most:.0} W/m2K, less is not told apart: webs must be given longer delays, or longer webs"
            )),
            (Some(least), None) => Some(format!(
                "the loss is at least {least:.0} W/m2K, more is not told apart: the shortest delays do not reach the threshold; use more power or less speed"
            )),
            (Some(low), Some(high)) if high > 6.0 * low => Some("the loss is poorly told: read the ladder's repeats, or cut it again for the heat fraction found".to_owned()),
            _ => None,
        });
        if fit.spread > 0.3 {
            fit.warnings.push(format!(
                "the readings contradict each other (spread {:.0} % from rung to rung): is the foil clean, clamped alike everywhere, and read by the same eyes?",
                100.0 * fit.spread
            ));
        }
        if fit.absorbed_fraction.value > 1.0 {
            fit.warnings.push(
                "a heat fraction above 1 cannot be: the mark comes at a lower temperature than mark_c, or power and speed are not what pass_j_m says".into(),
            );
        }
    }
}

/// Top of a profile of the likelihood and where it has dropped by [`DROP`], in steps of its grid.
#[derive(Debug, Clone, Copy)]
struct Profile {
    low: Option<f64>,
    top: f64,
    high: Option<f64>,
}

impl Profile {
    fn of(values: &[f64]) -> Profile {
        let last = values.len() - 1;
        let at = (0..=last)
            .max_by(|a, b| values[*a].total_cmp(&values[*b]))
            .unwrap_or(0);
        let (mut top, mut peak) = (at as f64, values[at]);
        if at > 0 && at < last {
            // A parabola through the three highest.
            let (l, r) = (values[at - 1] - values[at], values[at + 1] - values[at]);
            if l + r < -1e-12 {
                let shift = (0.5 * (l - r) / (l + r)).clamp(-0.5, 0.5);
                top += shift;
                peak += 0.25 * (r - l) * shift;
            }
        }
        let goal = peak - DROP;
        let between = |inner: usize, outer: usize| {
            let f = (values[inner] - goal) / (values[inner] - values[outer]);
            inner as f64 + f.clamp(0.0, 1.0) * (outer as f64 - inner as f64)
        };
        // The outermost crossing: a profile may have more than one hill.
        let low = (0..at)
            .find(|i| values[i + 1] >= goal)
            .filter(|i| values[*i] < goal)
            .map(|i| between(i + 1, i));
        let high = (at + 1..=last)
            .rev()
            .find(|i| values[i - 1] >= goal)
            .filter(|i| values[*i] < goal)
            .map(|i| between(i - 1, i));
        Profile { low, top, high }
    }
}

/// What goes into a recipe; the uncertainties are the wider sides of 95 % intervals. No loss where it is bounded
/// on one side only.
pub fn recipe_lines(fit: &TintFit) -> Vec<RecipeLine> {
    let e = fit.absorbed_fraction;
    let wider = |value: f64, low: f64, high: f64| (value - low).max(high - value);
    let mut lines = vec![
        RecipeLine::number("laser", "absorbed_fraction", e.value.min(1.0)),
        RecipeLine::number(
            "laser",
            "absorbed_uncertainty",
            wider(e.value, e.low_95, e.high_95).min(1.0),
        ),
    ];
    if let Loss {
        value,
        low_95: Some(low),
        high_95: Some(high),
    } = fit.loss_w_m2_k
    {
        lines.push(RecipeLine::number("heat", "loss_w_m2_k", value));
        lines.push(RecipeLine::number(
            "heat",
            "loss_uncertainty_w_m2_k",
            wider(value, low, high),
        ));
    }
    lines
}
