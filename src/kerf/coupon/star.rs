//! The heat coupon: a star of cuts around the place of a temperature sensor.

use super::{Coupon, CouponError, Group, JobPart, within_bounds};
use crate::heat::Foil;
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::fmt::Write;

const SIDE_MM: f64 = 20.0;
const SPOKES: u32 = 8;
const INNER_MM: f64 = 1.0;
const OUTER_MM: f64 = 2.0;
/// Until the corner mark has cooled.
const PAUSE_S: f64 = 10.0;
/// Rows of the table, over this many time constants after the burst.
const ROWS: u32 = 30;
const SPAN_TAU: f64 = 6.0;

/// Eight cuts of 1 mm, one pass, that point away from the middle, 1 mm from it: a sensor there sees them all alike,
/// and the beam never passes over it.
///
/// # Errors
/// Settings out of bounds.
pub fn heat_coupon(recipe: &Recipe) -> Result<Coupon, CouponError> {
    within_bounds(recipe, "heat coupon")?;
    let foil = Foil::new(recipe);
    let scan = &recipe.scan;
    let mut c = Coupon::new(
        "coupon-heat",
        [SIDE_MM, SIDE_MM],
        "time_s,rise_k,burst_j,burst_s,inner_mm,outer_mm,capacity_j_m2_k,sheet_w_k",
    );
    c.groups.push(Group::of(recipe));
    c.groups.push(Group {
        passes: 1,
        pause_before_s: PAUSE_S,
        ..Group::of(recipe)
    });
    c.jobs.push(JobPart::of(recipe));
    c.corner_mark(0);
    let middle = SIDE_MM / 2.0;
    let at = |r: f64, spoke: u32| {
        let a = std::f64::consts::TAU * f64::from(spoke) / f64::from(SPOKES);
        [middle + r * libm::cos(a), middle + r * libm::sin(a)]
    };
    let mut jumps_mm = 0.0;
    for spoke in 0..SPOKES {
        let (from, to) = (at(INNER_MM, spoke), at(OUTER_MM, spoke));
        c.line(format!("spoke-{}", spoke + 1), from, to, 1);
        if spoke > 0 {
            jumps_mm += crate::polyline::distance(at(OUTER_MM, spoke - 1), from);
        }
    }
    let cut_s = f64::from(SPOKES) * (OUTER_MM - INNER_MM) / scan.cut_speed_mm_s;
    let burst_s = cut_s
        + jumps_mm / scan.jump_speed_mm_s
        + f64::from(SPOKES - 1) * scan.jump_settle_ms * 1e-3;
    let last_s = burst_s + SPAN_TAU * foil.tau_s();
    for row in 1..=ROWS {
        let _ = writeln!(
            c.table,
            "{},,{},{},{INNER_MM},{OUTER_MM},{},{}",
            trim_number(last_s * f64::from(row) / f64::from(ROWS), 4),
            trim_number(recipe.power_w() * cut_s, 6),
            trim_number(burst_s, 5),
            trim_number(foil.capacity_j_m2_k, 4),
            trim_number(foil.sheet_w_k, 8),
        );
    }
    c.notes.push(format!(
        "clamp the foil as in use; a sensor smaller than 0.5 mm and faster than {} ms in the middle (a fine thermocouple held by a trace of paste, or a pyrometer)",
        trim_number(1e3 * foil.tau_s() / 10.0, 0)
    ));
    c.notes.push(format!(
        "the star starts {} s after the corner mark; write the rise over what was read just before it, time from its first cut; other times and more rows are welcome, the burst need only stand in the first",
        trim_number(PAUSE_S, 0)
    ));
    Ok(c)
}
