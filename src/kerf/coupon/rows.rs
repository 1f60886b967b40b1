//! Coupons of rows: single pulses over pulse energy, and lines over lens height.

use super::{Coupon, CouponError, Group, JobPart, within_bounds};
use crate::beam::{pulse_energy_uj, window::Window};
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::fmt::Write;

const ROW_MM: f64 = 0.8;
const LINE_MM: f64 = 4.0;
const LEFT_MM: f64 = 2.6;
/// Craters to measure in each row.
const CRATERS: usize = 3;

fn rounded(v: f64) -> f64 {
    (v * 1e3).round() / 1e3
}

fn sheet(rows: usize) -> [f64; 2] {
    [LEFT_MM + LINE_MM + 1.5, 2.6 + ROW_MM * rows as f64 + 0.8]
}

/// Rows of single pulses from `from` to `to` percent of power in even ratios, at a pitch of three spots. The
/// speed follows from the pulse rate.
///
/// # Errors
/// Powers out of order or bounds, a speed beyond the scanner's.
pub fn pulse_coupon(
    recipe: &Recipe,
    from: f64,
    to: f64,
    rows: usize,
) -> Result<Coupon, CouponError> {
    let refuse = |m: String| Err(CouponError::Refused(m));
    if from <= 0.0 || to <= from || !(3..=60).contains(&rows) {
        return refuse("pulse coupon: powers must rise from above zero, in 3 to 60 rows".into());
    }
    let pitch_um = 3.0 * Window::of(recipe).spot_diameter_um;
    let speed = pitch_um * recipe.laser.pulse_rate_khz;
    if speed > recipe.scan.jump_speed_mm_s {
        return refuse(format!(
            "pulse coupon: single craters {} um apart at {} kHz need {} mm/s, more than the scanner's {} mm/s: lower the pulse rate to {} kHz or less",
            trim_number(pitch_um, 1),
            trim_number(recipe.laser.pulse_rate_khz, 3),
            trim_number(speed, 0),
            trim_number(recipe.scan.jump_speed_mm_s, 0),
            trim_number(recipe.scan.jump_speed_mm_s / pitch_um, 1)
        ));
    }
    let mut c = Coupon::new(
        "coupon-pulse",
        sheet(rows),
        "row,power_percent,pulse_rate_khz,energy_uj,pulses,diameter_um",
    );
    c.groups.push(Group::of(recipe));
    c.jobs.push(JobPart::of(recipe));
    c.corner_mark(0);
    for i in 0..rows {
        let power = rounded(from * libm::pow(to / from, i as f64 / (rows - 1) as f64));
        let mut r = recipe.clone();
        r.laser.power_percent = power;
        within_bounds(&r, &format!("pulse coupon, row {}", i + 1))?;
        c.groups.push(Group {
            power_percent: power,
            cut_speed_mm_s: speed,
            passes: 1,
            ..Group::of(recipe)
        });
        let y = 2.6 + ROW_MM * i as f64;
        let row = i + 1;
        c.number(&format!("row-{row}"), row, [1.4, y], 0.5, None, 0);
        c.line(
            format!("pulses-{row}"),
            [LEFT_MM, y],
            [LEFT_MM + LINE_MM, y],
            i + 1,
        );
        for _ in 0..CRATERS {
            let _ = writeln!(
                c.table,
                "{row},{power},{},{},1,",
                recipe.laser.pulse_rate_khz,
                rounded(pulse_energy_uj(r.power_w(), r.laser.pulse_rate_khz))
            );
        }
    }
    c.notes.push(format!(
        "craters {} um apart at {} mm/s; measure {CRATERS} in each row, write 0 where a row left no mark",
        trim_number(pitch_um, 1),
        trim_number(speed, 0)
    ));
    c.notes.push(
        "the first and last craters of a row may be short of a full pulse: measure the middle ones"
            .into(),
    );
    Ok(c)
}

/// Lines at lens heights from `-reach_mm` to `reach_mm` about the present one; one job each, for the height
/// is set by hand in between.
///
/// # Errors
/// A reach that is not positive, or a count out of bounds.
pub fn focus_coupon(recipe: &Recipe, reach_mm: f64, heights: usize) -> Result<Coupon, CouponError> {
    if reach_mm <= 0.0 || !(4..=40).contains(&heights) {
        return Err(CouponError::Refused(
            "focus coupon: the reach must be above zero, in 4 to 40 heights".into(),
        ));
    }
    within_bounds(recipe, "focus coupon")?;
    let mut c = Coupon::new("coupon-focus", sheet(heights), "row,height_mm,width_um");
    for i in 0..heights {
        let height = rounded(-reach_mm + 2.0 * reach_mm * i as f64 / (heights - 1) as f64);
        let row = i + 1;
        c.groups.push(Group {
            job: i,
            ..Group::of(recipe)
        });
        c.jobs.push(JobPart {
            suffix: format!("-{row:02}"),
            pulse_rate_khz: recipe.laser.pulse_rate_khz,
            focus_offset_mm: height,
            before: format!("set the lens {height:+} mm from where it is focused now"),
        });
        if i == 0 {
            c.corner_mark(0);
        }
        let y = 2.6 + ROW_MM * i as f64;
        c.number(&format!("row-{row}"), row, [1.4, y], 0.5, None, i);
        c.line(
            format!("line-{row}"),
            [LEFT_MM, y],
            [LEFT_MM + LINE_MM, y],
            i,
        );
        let _ = writeln!(c.table, "{row},{height},");
    }
    c.notes.push("one job per row: set the lens height before each, then run it; leave blank the width of lines that did not cut".into());
    Ok(c)
}
