//! The kerf coupon: openings and bars of four sizes in both directions, several times each.

use super::{Coupon, CouponError, Group, JobPart, within_bounds};
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::fmt::Write;

const MOST_REPEATS: usize = 5;
/// Room for labels and marks: left, top, right, bottom, millimetres.
const MARGINS: [f64; 4] = [2.2, 2.2, 1.2, 2.8];
const RADIUS_MM: f64 = 0.4;

/// Draws the coupon in the size asked for, with as many repeats as fit. The same sizes are drawn as openings
/// and as bars, so that kerf and scale error come apart.
///
/// # Errors
/// A size too small for one repeat.
pub fn kerf_coupon(recipe: &Recipe, size_mm: [f64; 2]) -> Result<Coupon, CouponError> {
    within_bounds(recipe, "kerf coupon")?;
    let tens = |um: f64| (um / 10.0).round() * 10.0;
    let base = 50f64
        .max(tens(2.0 * recipe.foil.thickness_um))
        .max(tens(6.0 * recipe.kerf.width_um));
    let sizes = [1.0, 2.0, 4.0, 8.0].map(|m| m * base);
    let flank = (2.0 * base * 1e-3).max(0.15);
    let need = sizes[3] * 1e-3 + 2.0 * flank + 0.3;
    let inner = [
        size_mm[0] - MARGINS[0] - MARGINS[2],
        size_mm[1] - MARGINS[1] - MARGINS[3],
    ];
    let columns = 2 * sizes.len();
    let repeats = ((inner[1] / need / 2.0).floor().max(0.0) as usize).min(MOST_REPEATS);
    let least = [
        need * columns as f64 + MARGINS[0] + MARGINS[2],
        need * 2.0 + MARGINS[1] + MARGINS[3],
    ];
    if repeats == 0 || inner[0] / columns as f64 + 1e-9 < need {
        return Err(CouponError::Refused(format!(
            "a kerf coupon with features of {} to {} um needs at least {} x {} mm; {} x {} mm was asked for",
            sizes[0],
            sizes[3],
            trim_number(least[0], 1),
            trim_number(least[1], 1),
            trim_number(size_mm[0], 2),
            trim_number(size_mm[1], 2)
        )));
    }
    let mut c = Coupon::new(
        "coupon-kerf",
        size_mm,
        "label,feature,axis,drawn_um,measured_um,applied_kerf_um,side,power_percent,pulse_rate_khz,cut_speed_mm_s,passes,scheme,focus_offset_mm",
    );
    c.groups.push(Group::of(recipe));
    c.jobs.push(JobPart::of(recipe));
    c.corner_mark(0);
    let settings = format!(
        "{},{},{},{},{},{}",
        recipe.laser.power_percent,
        recipe.laser.pulse_rate_khz,
        recipe.scan.cut_speed_mm_s,
        recipe.passes.count,
        recipe.passes.scheme.word(),
        recipe.laser.focus_offset_mm
    );
    let row = |c: &mut Coupon, label: &str, feature: &str, axis: &str, um: f64| {
        let _ = writeln!(c.table, "{label},{feature},{axis},{um},,0,,{settings}");
    };
    let rows = 2 * repeats;
    let (cw, ch) = (inner[0] / columns as f64, inner[1] / rows as f64);
    let length = 0.62 * cw.min(ch).min(2.5);
    let stroke = Some((base * 1.2e-3).max(0.06));
    for column in 0..columns {
        let x = MARGINS[0] + (column as f64 + 0.5) * cw;
        let id = format!("column-{}", column + 1);
        c.number(&id, column + 1, [x, 1.5], 0.7, stroke, 0);
    }
    for r in 0..rows {
        let y = MARGINS[1] + (r as f64 + 0.5) * ch;
        c.number(&format!("row-{}", r + 1), r + 1, [1.2, y], 0.7, stroke, 0);
        let axis = if r % 2 == 0 { "x" } else { "y" };
        for column in 0..columns {
            let x = MARGINS[0] + (column as f64 + 0.5) * cw;
            let um = sizes[column / 2];
            let label = format!("r{}c{}", r + 1, column + 1);
            // A rectangle `wide` along the axis measured, shifted along it.
            let bar = |shift: f64, wide: f64| -> [f64; 4] {
                if axis == "x" {
                    [x + shift - wide / 2.0, y - length / 2.0, wide, length]
                } else {
                    [x - length / 2.0, y + shift - wide / 2.0, length, wide]
                }
            };
            let d = um * 1e-3;
            if column % 2 == 0 {
                c.rect(label.clone(), bar(0.0, d), 0);
                row(&mut c, &label, "opening", axis, um);
            } else {
                let shift = (d + flank) / 2.0;
                c.rect(format!("{label}-a"), bar(-shift, flank), 0);
                c.rect(format!("{label}-b"), bar(shift, flank), 0);
                row(&mut c, &label, "bar", axis, um);
            }
        }
    }
    curves(&mut c, size_mm);
    for axis in ["x", "y"] {
        row(&mut c, "circle", "opening", axis, 2.0 * RADIUS_MM * 1e3);
    }
    c.notes.push(format!(
        "columns 1 to {columns}: {} um, opening and bar in turn; odd rows are measured along x, even rows along y; {repeats} repeats",
        sizes.map(|s| trim_number(s, 0)).join(", ")
    ));
    c.notes.push("measure what the microscope shows, write the side (entry, exit or through) in each row, leave blank what you skip".into());
    Ok(c)
}

/// A circle, a curved slot and a ruler along the lower edge.
fn curves(c: &mut Coupon, [w, h]: [f64; 2]) {
    let y = h - 1.5;
    let on_circle = |x: f64, r: f64, turn: f64| {
        let a = std::f64::consts::TAU * turn;
        [x + r * libm::cos(a), y + r * libm::sin(a)]
    };
    let circle = (0..128)
        .map(|i| on_circle(w - 1.8, RADIUS_MM, f64::from(i) / 128.0))
        .collect();
    c.open("circle".into(), circle, 0);
    let arc = |r: f64| (0..=60).map(move |i| (r, 0.75 * f64::from(i) / 60.0));
    let slot = arc(0.6)
        .chain(arc(0.45).rev())
        .map(|(r, turn)| on_circle(w - 3.8, r, turn))
        .collect();
    c.open("curved-slot".into(), slot, 0);
    let ticks = ((w - MARGINS[0] - 5.2) / 0.5).floor() as usize;
    for i in 0..=ticks {
        let long = if i % 10 == 0 {
            0.9
        } else if i % 2 == 0 {
            0.6
        } else {
            0.35
        };
        c.rect(
            format!("ruler-{i}"),
            [
                MARGINS[0] + 0.5 * i as f64 - 0.03,
                h - 1.0 - long,
                0.06,
                long,
            ],
            0,
        );
    }
    c.notes
        .push("ruler: a tick every 0.5 mm, longer every 1 mm, longest every 5 mm".into());
}
