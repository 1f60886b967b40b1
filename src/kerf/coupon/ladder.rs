//! The ladder coupon: heat fraction and loss to the slide without a sensor, read by the tint of slotted webs.
//!
//! Every rung of the ladder is a web between two long slots. Dashes across its middle, all in fresh foil, heat it in
//! rows: the dashes of a row lie between those of the rows before. Heat stays between the slots, so that the web
//! gets as hot as there is energy in it, less what it has lost to the slide between the rows. Some rungs are webs of
//! graded width whose rows follow at once, the others equal webs with graded delays between the rows. Webs of all
//! widths are alike in shape.

use super::{Coupon, CouponError, Group, JobPart, within_bounds};
use crate::heat::Foil;
use crate::heat::closed_form::spot;
use crate::hilbert;
use crate::polyline::distance;
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::f64::consts::PI;
use std::fmt::Write;

/// Temperature at which the foil takes on a mark that stays, as its half-width tells (95 %).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Threshold {
    pub celsius: f64,
    pub uncertainty: f64,
}

impl Threshold {
    /// First straw tint of bare low-carbon steel that is hot for a tenth of a second to a second. Tables of temper
    /// colours give 200 to 220 C for minutes (from memory); an oxide that grows with the root of time and an
    /// activation energy of 100 to 170 kJ/mol (common for iron, from memory) needs 310 to 450 C to grow as thick
    /// in half a second as in ten minutes at 210 C. No measurement is behind this.
    pub const STEEL: Threshold = Threshold {
        celsius: 370.0,
        uncertainty: 80.0,
    };
}

/// Temperature of the workshop that the table starts with.
const ROOM_C: f64 = 20.0;
/// Rows of dashes on a web.
const ROWS: u32 = 4;
/// Length of a dash, and spacing of the dashes once all rows are in, as parts of the web's width: at the threshold the
/// slots' own tint then leaves more than half of the foil between dashes and slots bright.
const DASH: f64 = 0.3;
const SPACING: f64 = 1.0 / 6.0;
/// Width that all rows at once bring to the threshold, where nothing is lost, in multiples of the width that one
/// line along the web would bring there.
const ALL_ROWS: f64 = DASH / SPACING;
const WEBS_MM: [f64; 2] = [0.2, 4.0];
/// Widths follow in such ratios at most, delays in these.
const RATIO: f64 = 1.2;
const DELAYS_RATIO: f64 = 2.0;
/// A set of equal webs tells delays for heat fractions that differ by as much: while about two to three and a half
/// rows must be together to reach the threshold. With fewer, the slots' tint covers the web.
const SET_RATIO: f64 = 2.0;
/// Losses while the rows are cut ask for webs that are narrower by as much, at the least heat fraction.
const LOSSY: f64 = 0.6;
const LONGEST_DELAY_S: f64 = 4.0;
const LENGTH_MM: [f64; 2] = [6.0, 20.0];
const MOST_REPEATS: usize = 5;
/// Rise that earlier rungs may leave at the next one, as a part of the threshold's.
const LEFT: f64 = 0.01;
const ROW_PAUSE: &str = "the web loses heat until the next row";
const LABEL_MM: f64 = 2.4;
const EDGE_MM: f64 = 2.4;

/// One rung before it is drawn.
#[derive(Debug, Clone, Copy)]
struct Rung {
    web_mm: f64,
    /// Dashes on it, a multiple of the rows.
    dashes: u32,
    /// Periods by which each row follows the one before; none: the rows one after the other.
    lag: Option<u32>,
    /// Pause between rows that are cut one after the other.
    pause_s: f64,
}

/// What all rungs have in common, mm and s.
struct Shape {
    length: f64,
    passes: u32,
    cut_mm_s: f64,
    jump_mm_s: f64,
    settle_s: f64,
}

impl Shape {
    /// Dashes in the order of cutting: row and place along the web from its left end.
    fn order(&self, rung: &Rung) -> Vec<(u32, f64)> {
        let periods = rung.dashes / ROWS;
        let step = self.length / f64::from(rung.dashes);
        let place = |row: u32, period: u32| (f64::from(period * ROWS + row) + 0.5) * step;
        match rung.lag {
            None => (0..ROWS)
                .flat_map(|row| (0..periods).map(move |p| (row, place(row, p))))
                .collect(),
            Some(lag) => (0..periods + (ROWS - 1) * lag)
                .flat_map(|now| (0..ROWS).map(move |row| (row, now.checked_sub(row * lag))))
                .filter_map(|(row, p)| p.filter(|p| *p < periods).map(|p| (row, place(row, p))))
                .collect(),
        }
    }
    /// Time to cut a dash with all its passes.
    fn dash_s(&self, dash: f64) -> f64 {
        let again = f64::from(self.passes - 1);
        f64::from(self.passes) * dash / self.cut_mm_s + again * self.jump_s(dash, 0.0)
    }
    /// Jump from the end of a dash to the beginning of one `along` further.
    fn jump_s(&self, dash: f64, along: f64) -> f64 {
        libm::hypot(along, dash) / self.jump_mm_s + self.settle_s
    }
    /// Delay between rows and speed of a row, both at the middle of the web, and the time of the whole rung.
    fn timing(&self, rung: &Rung) -> (f64, f64, f64) {
        let mut rows: Vec<Vec<[f64; 2]>> = vec![Vec::new(); ROWS as usize];
        let (mut now, mut last) = (0.0, None);
        let dash = DASH * rung.web_mm;
        for (row, x) in self.order(rung) {
            if let Some((before, at)) = last {
                now += self.jump_s(dash, x - at);
                if rung.lag.is_none() && before != row {
                    now += rung.pause_s;
                }
            }
            rows[row as usize].push([x, now + self.dash_s(dash) / 2.0]);
            now += self.dash_s(dash);
            last = Some((row, x));
        }
        // When a row passes a place.
        let passes = |row: &[[f64; 2]], x: f64| {
            let i = row.partition_point(|p| p[0] < x).clamp(1, row.len() - 1);
            let (a, b) = (row[i - 1], row[i]);
            a[1] + (x - a[0]) / (b[0] - a[0]) * (b[1] - a[1])
        };
        let middle = self.length / 2.0;
        let at = |row: usize, x: f64| passes(&rows[row], x);
        let delay = (at(ROWS as usize - 1, middle) - at(0, middle)) / f64::from(ROWS - 1);
        let span = self.length / 4.0;
        let speeds = (0..ROWS as usize)
            .map(|row| span / (at(row, middle + span / 2.0) - at(row, middle - span / 2.0)));
        (delay, speeds.sum::<f64>() / f64::from(ROWS), now)
    }
    /// A web of that width, its rows all at once.
    fn quickest(&self, web_mm: f64) -> Rung {
        let periods = libm::round(self.length / (SPACING * web_mm) / f64::from(ROWS));
        Rung {
            web_mm,
            dashes: ROWS * periods.max(2.0) as u32,
            lag: Some(0),
            pause_s: 0.0,
        }
    }
    /// The same web with the delay between rows that comes nearest to the one asked for.
    fn delayed(&self, quickest: Rung, delay_s: f64) -> Rung {
        let rung = |lag| Rung { lag, ..quickest };
        let alone = rung(None);
        let shortest = self.timing(&alone).0;
        if delay_s > shortest {
            return Rung {
                pause_s: libm::round((delay_s - shortest) * 1e3) / 1e3,
                ..alone
            };
        }
        (0..quickest.dashes / ROWS / 2)
            .map(|lag| rung(Some(lag)))
            .chain([alone])
            .min_by(|a, b| {
                let miss = |r: &Rung| libm::fabs(libm::log(self.timing(r).0 / delay_s));
                miss(a).total_cmp(&miss(b))
            })
            .unwrap_or(alone)
    }
}

/// Draws the ladder: `repeats` times the same rungs. Widths, spacings and delays bracket the recipe's heat fraction
/// as far as its uncertainty reaches, and losses from a tenth to ten times the recipe's.
///
/// # Errors
/// Settings out of bounds, a threshold too near to room temperature, a foil that this cannot be read on.
pub fn ladder_coupon(
    recipe: &Recipe,
    threshold: Threshold,
    repeats: usize,
) -> Result<Coupon, CouponError> {
    within_bounds(recipe, "ladder coupon")?;
    let refuse = |m: String| Err(CouponError::Refused(format!("ladder coupon: {m}")));
    if !(1..=MOST_REPEATS).contains(&repeats) {
        return refuse(format!("{repeats} repeats: 1 to {MOST_REPEATS}"));
    }
    let rise = threshold.celsius - ROOM_C;
    if !(rise >= 50.0 && threshold.uncertainty >= 0.0 && threshold.uncertainty <= 0.6 * rise) {
        return refuse(format!(
            "a mark at {} +-{} C: it must lie 50 C or more above room temperature ({ROOM_C} C), its uncertainty within 0.6 of that",
            trim_number(threshold.celsius, 1),
            trim_number(threshold.uncertainty, 1)
        ));
    }
    let eta = recipe.laser.absorbed_fraction;
    if recipe.foil.material == "polyimide" || eta <= 0.0 {
        return refuse(if eta > 0.0 {
            "polyimide carries heat too slowly for the thin-sheet model behind it".into()
        } else {
            "laser.absorbed_fraction is 0: give a guess above zero".into()
        });
    }
    let foil = Foil::new(recipe);
    let pass_j_m = recipe.power_w() / (recipe.scan.cut_speed_mm_s * 1e-3);
    let line_j_m = pass_j_m * f64::from(recipe.passes.count);
    // Width that one line of all passes would bring to the threshold, for the least and greatest heat fraction.
    let factor = (1.0 / (1.0 - recipe.laser.absorbed_uncertainty / eta).max(0.5)).max(1.25);
    let etas = [eta / factor, (eta * factor).min(1.0)];
    let [low, high] = etas.map(|e| 1e3 * e * line_j_m / (foil.capacity_j_m2_k * rise));
    let kerf = recipe.kerf.width_um * 1e-3;
    let shape = Shape {
        // Heat leaves through the ends four times as slowly as to the slide.
        length: round(
            1e3 * PI * (4.0 * foil.tau_s() * foil.alpha_m2_s).sqrt(),
            0.5,
        )
        .clamp(LENGTH_MM[0], LENGTH_MM[1])
        .max(5.0 * (ALL_ROWS * high).min(WEBS_MM[1])),
        passes: recipe.passes.count,
        cut_mm_s: recipe.scan.cut_speed_mm_s,
        jump_mm_s: recipe.scan.jump_speed_mm_s,
        settle_s: recipe.scan.jump_settle_ms * 1e-3,
    };
    let mut c = Coupon::new(
        "coupon-ladder",
        [0.0, 0.0],
        "rung,web_um,delay_s,tinted,spacing_um,dash_um,sweep_mm_s,length_mm,rows,pass_j_m,passes,cut_speed_mm_s,capacity_j_m2_k,sheet_w_k,mark_c,mark_uncertainty_c,room_c",
    );
    let rungs = rungs(&shape, [low, high], kerf, &foil, &mut c.notes);
    if rungs.len() < 8 {
        return refuse(format!(
            "{} J/m would bring webs of {} to {} mm to {} C, of which only {} rungs can be made: webs are {} to {} mm wide, wider than 18 kerfs; set power and speed for more or less energy",
            trim_number(line_j_m, 1),
            trim_number(ALL_ROWS * low, 2),
            trim_number(ALL_ROWS * high, 2),
            trim_number(threshold.celsius, 0),
            rungs.len(),
            WEBS_MM[0],
            WEBS_MM[1]
        ));
    }
    let all: Vec<Rung> = (0..repeats).flat_map(|_| rungs.iter().copied()).collect();
    let places = draw(&mut c, &shape, &all, high, recipe);
    for (i, rung) in all.iter().enumerate() {
        let (delay_s, sweep, _) = shape.timing(rung);
        let _ = write!(
            c.table,
            "{},{},{},,{},{},{}",
            i + 1,
            trim_number(rung.web_mm * 1e3, 2),
            trim_number(delay_s, 5),
            trim_number(1e3 * shape.length / f64::from(rung.dashes), 2),
            trim_number(DASH * rung.web_mm * 1e3, 2),
            trim_number(sweep, 2)
        );
        let _ = if i > 0 {
            writeln!(c.table, ",,,,,,,,,,")
        } else {
            writeln!(
                c.table,
                ",{},{ROWS},{},{},{},{},{},{},{},{ROOM_C}",
                trim_number(shape.length, 3),
                trim_number(pass_j_m, 5),
                recipe.passes.count,
                trim_number(recipe.scan.cut_speed_mm_s, 4),
                trim_number(foil.capacity_j_m2_k, 4),
                trim_number(foil.sheet_w_k, 8),
                trim_number(threshold.celsius, 2),
                trim_number(threshold.uncertainty, 2),
            )
        };
    }
    let left_k = pauses(&mut c, &shape, &all, &places, recipe, etas[1], LEFT * rise);
    notes(&mut c, &shape, &rungs, etas, threshold, &foil, left_k);
    Ok(c)
}

fn round(v: f64, step: f64) -> f64 {
    libm::round(v / step) * step
}

/// The rungs of one ladder: widths with all rows at once, then delays on webs of one or more widths. `low` and `high`
/// are the least and greatest width that a line would bring to the threshold.
fn rungs(
    shape: &Shape,
    [low, high]: [f64; 2],
    kerf: f64,
    foil: &Foil,
    notes: &mut Vec<String>,
) -> Vec<Rung> {
    // Dashes nearer than three kerfs melt into each other.
    let least = WEBS_MM[0].max(3.0 * kerf / SPACING);
    let most = WEBS_MM[1].min(shape.length / 5.0);
    let fits = |web: &f64| (least..=most).contains(web);
    let low = LOSSY * low;
    let (from, to) = (ALL_ROWS * low, 1.15 * ALL_ROWS * high);
    let steps = libm::ceil(libm::log(to / from) / libm::log(RATIO));
    let wanted: Vec<f64> = (0..=steps as u32)
        .map(|i| round(from * libm::pow(to / from, f64::from(i) / steps), 0.002))
        .collect();
    let out = wanted.iter().filter(|s| !fits(s)).count();
    if out > 0 {
        notes.push(format!(
            "{out} of {} widths from {} to {} mm are left out: webs must be {} mm wide (18 kerfs) to {} mm (a fifth of their length); more power or less speed makes wider webs turn",
            wanted.len(),
            trim_number(from, 2),
            trim_number(to, 2),
            trim_number(least, 2),
            trim_number(most, 2)
        ));
    }
    let mut rungs: Vec<Rung> = (wanted.iter().filter(|w| fits(w)))
        .map(|w| shape.quickest(*w))
        .collect();
    let sets = libm::ceil(libm::log(high / low) / libm::log(SET_RATIO)).max(1.0);
    let longest = (16.0 * foil.tau_s()).clamp(0.3, LONGEST_DELAY_S);
    for set in 0..sets as u32 {
        let one_line = low * libm::pow(high / low, f64::from(set) / sets);
        let web = round(0.875 * ALL_ROWS * one_line, 0.002);
        if !fits(&web) {
            continue;
        }
        let quickest = shape.quickest(web);
        let first = shape
            .timing(&Rung {
                lag: Some(1),
                ..quickest
            })
            .0;
        let steps = libm::ceil(libm::log(longest / first) / libm::log(DELAYS_RATIO)).max(1.0);
        let mut before = 0.0;
        for i in 0..=steps as u32 {
            let wanted = first * libm::pow(longest / first, f64::from(i) / steps);
            let rung = shape.delayed(quickest, wanted);
            let delay = shape.timing(&rung).0;
            if delay > 1.2 * before {
                rungs.push(rung);
                before = delay;
            }
        }
    }
    rungs
}

/// Lays the rungs out in columns; answers their middles. Group 0 has labels and slots, then every rung has one
/// group, or one for each row.
fn draw(
    c: &mut Coupon,
    shape: &Shape,
    rungs: &[Rung],
    one_line: f64,
    recipe: &Recipe,
) -> Vec<[f64; 2]> {
    // Clear of the tint beside the slots: a quarter of what a line would bring to the threshold, on both sides.
    let gap = (0.5 * one_line).max(0.3) + 0.3;
    let column = LABEL_MM + shape.length + 1.2;
    let total: f64 = rungs.iter().map(|r| r.web_mm + gap).sum();
    let columns = libm::round((total / column).sqrt()).max(1.0);
    let (mut corners, mut x, mut y, mut lowest) = (Vec::new(), 0.0, 0.0, 0.0f64);
    for r in rungs {
        if y + r.web_mm / 2.0 > total / columns {
            (x, y) = (x + column, 0.0);
        }
        corners.push([0.8 + x + LABEL_MM, EDGE_MM + y + gap / 2.0]);
        y += r.web_mm + gap;
        lowest = lowest.max(y);
    }
    c.size_mm = [
        round(x + column + 1.6, 0.1),
        round(lowest + 2.0 * EDGE_MM, 0.1),
    ];
    c.jobs.push(JobPart::of(recipe));
    c.groups.push(Group::of(recipe));
    c.corner_mark(0);
    for (i, [x, y]) in corners.iter().enumerate() {
        let at = [x - LABEL_MM / 2.0, y + rungs[i].web_mm / 2.0];
        c.number(&format!("rung-{}", i + 1), i + 1, at, 0.6, None, 0);
    }
    // All slots on one side before those on the other, so that a web has cooled before it is whole.
    for (side, name) in [(0.0, "a"), (1.0, "b")] {
        for (i, [x, y]) in corners.iter().enumerate() {
            let y = y + side * rungs[i].web_mm;
            let id = format!("slot-{}-{name}", i + 1);
            c.line(id, [*x, y], [x + shape.length, y], 0);
        }
    }
    for (n, i) in stride(rungs.len()).into_iter().enumerate() {
        let ([x, y], rung) = (corners[i], &rungs[i]);
        let ends = [1.0 - DASH, 1.0 + DASH].map(|f| y + f / 2.0 * rung.web_mm);
        let mut before = None;
        for (count, (row, at)) in shape.order(rung).into_iter().enumerate() {
            let apart = rung.lag.is_none() && before.is_some_and(|b| b != row);
            if count == 0 || apart {
                c.groups.push(Group {
                    in_place: true,
                    pause_before_s: if apart { rung.pause_s } else { 0.0 },
                    pause_reason: match (apart, n) {
                        (true, _) => ROW_PAUSE,
                        (_, 0) => {
                            "the slots cool; hot webs follow: extract the fume, hands off the foil"
                        }
                        _ => "the rungs before cool down",
                    },
                    ..Group::of(recipe)
                });
            }
            before = Some(row);
            c.line(
                format!("rung-{}-row-{}-{count}", i + 1, row + 1),
                [x + at, ends[0]],
                [x + at, ends[1]],
                c.groups.len() - 1,
            );
        }
    }
    (corners.iter().zip(rungs))
        .map(|([x, y], r)| [x + shape.length / 2.0, y + r.web_mm / 2.0])
        .collect()
}

/// All numbers below `n` in an order in which followers lie far apart.
fn stride(n: usize) -> Vec<usize> {
    let step = hilbert::golden_stride(n);
    (0..n).map(|i| i * step % n).collect()
}

/// Sets the pause before each rung, the shortest that leaves at most `limit_k` of the rungs before at the next one
/// with ten times less loss than the recipe's; answers what is left, K.
fn pauses(
    c: &mut Coupon,
    shape: &Shape,
    rungs: &[Rung],
    places: &[[f64; 2]],
    recipe: &Recipe,
    eta: f64,
    limit_k: f64,
) -> f64 {
    let mut foil = Foil::new(recipe);
    foil.loss_w_m2_k /= 10.0;
    let order = stride(rungs.len());
    let left = |pause_s: f64| {
        let (mut now, mut worst) = (0.0, 0.0f64);
        let mut done: Vec<([f64; 2], f64, f64)> = Vec::new();
        for i in &order {
            let seconds = shape.timing(&rungs[*i]).2;
            let rise: f64 = (done.iter())
                .map(|(at, joule, when)| {
                    let r = distance(*at, places[*i]) * 1e-3;
                    spot(&foil, *joule, shape.length * 0.5e-3, r, now - when)
                })
                .sum();
            worst = worst.max(rise);
            let beam_s =
                f64::from(rungs[*i].dashes) * f64::from(shape.passes) * DASH * rungs[*i].web_mm
                    / shape.cut_mm_s;
            done.push((
                places[*i],
                eta * recipe.power_w() * beam_s,
                now + seconds / 2.0,
            ));
            now += seconds + pause_s;
        }
        worst
    };
    let tried = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0];
    let pause_s = tried
        .into_iter()
        .find(|p| left(*p) <= limit_k)
        .unwrap_or(10.0);
    let mut first = true;
    for g in c.groups.iter_mut().skip(1) {
        if g.pause_reason == ROW_PAUSE {
            continue;
        }
        g.pause_before_s = if first { 10.0 } else { pause_s };
        first = false;
    }
    left(pause_s)
}

fn notes(
    c: &mut Coupon,
    shape: &Shape,
    rungs: &[Rung],
    etas: [f64; 2],
    threshold: Threshold,
    foil: &Foil,
    left_k: f64,
) {
    let ends = |value: &dyn Fn(&Rung) -> f64| {
        (rungs.iter().map(value)).fold([f64::MAX, 0f64], |[a, b], v| [a.min(v), b.max(v)])
    };
    let w = ends(&|r| r.web_mm);
    let d = ends(&|r| shape.timing(r).0);
    c.notes.extend([
        format!(
            "{} rungs, the same again from rung {} on: webs {} to {} mm wide and {} mm long, {ROWS} rows of dashes up to {} s after each other",
            rungs.len(),
            rungs.len() + 1,
            trim_number(w[0], 2),
            trim_number(w[1], 2),
            trim_number(shape.length, 1),
            trim_number(d[1], 1)
        ),
        format!(
            "it is made for heat fractions from {} to {} and for losses from {} to {} W/m2K; low fractions together with high losses, and losses near the ends, are told as bounds only: then cut it again with the recipe that came out, or with more power",
            trim_number(etas[0], 2),
            trim_number(etas[1], 2),
            trim_number(foil.loss_w_m2_k / 10.0, 0),
            trim_number(foil.loss_w_m2_k * 10.0, 0)
        ),
        "clean the foil bare (no oil, no fingerprints), clamp it as in use; look at the middle of each web, in the foil between dashes and slots: write no under tinted where a bright band is left there on either side, yes where the whole has turned, leave blank what you cannot tell; a web that burnt or warped away counts as yes".into(),
        format!(
            "the mark is taken to come at {} +-{} C (95 %): tables of temper colours hold for minutes, a web here is hot for a tenth of a second to seconds and tints later; a trace of temperature-indicating lacquer on the webs states its own (--mark, or mark_c and mark_uncertainty_c in the first row)",
            trim_number(threshold.celsius, 0),
            trim_number(threshold.uncertainty, 0)
        ),
        format!(
            "earlier rungs leave at most {} K where a rung starts, even at a tenth of the recipe's loss",
            trim_number(left_k, 1)
        ),
        "caution: webs get red hot and may burn through; tint is oxide, with fume; the beam is invisible and class 4 as in any job".into(),
    ]);
}
