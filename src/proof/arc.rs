//! Arcs of RS-274: centre form and radius form, flattened.

use std::f64::consts::TAU;

/// Largest sagitta of the chords an arc is replaced by, millimetres: far below any scanner's step.
const SAGITTA_MM: f64 = 2e-5;

/// The points of an arc after its start, its end last. `centre` is absolute.
///
/// # Errors
/// Radii at start and end that differ by more than `radius_slack_mm` (section 3.5.3.2 of NIST IR 6556:
/// 0.002 mm or 0.0002 inch).
pub(super) fn centre_form(
    start: [f64; 2],
    end: [f64; 2],
    centre: [f64; 2],
    clockwise: bool,
    radius_slack_mm: f64,
) -> Result<Vec<[f64; 2]>, String> {
    let r0 = crate::polyline::distance(start, centre);
    let r1 = crate::polyline::distance(end, centre);
    if (r0 - r1).abs() > radius_slack_mm {
        return Err(format!(
            "the arc starts {r0:.4} mm and ends {r1:.4} mm from its centre"
        ));
    }
    if r0 <= 0.0 || r0 > 1e6 {
        return Err(format!("the radius of the arc is {r0:.4} mm"));
    }
    let a0 = libm::atan2(start[1] - centre[1], start[0] - centre[0]);
    let a1 = libm::atan2(end[1] - centre[1], end[0] - centre[0]);
    let mut sweep = if clockwise { a0 - a1 } else { a1 - a0 };
    if sweep <= 1e-12 {
        sweep += TAU;
    }
    // A chord of half angle x lies r (1 - cos x) inside the arc.
    let half = libm::acos((1.0 - SAGITTA_MM / r0).clamp(-1.0, 1.0)).max(1e-4);
    let n = (sweep / (2.0 * half)).ceil().clamp(1.0, 100_000.0) as usize;
    let sign = if clockwise { -1.0 } else { 1.0 };
    let mut points: Vec<[f64; 2]> = (1..n)
        .map(|k| {
            let t = k as f64 / n as f64;
            let a = a0 + sign * sweep * t;
            let r = r0 + (r1 - r0) * t;
            [centre[0] + r * libm::cos(a), centre[1] + r * libm::sin(a)]
        })
        .collect();
    points.push(end);
    Ok(points)
}

/// The centre of an arc in radius form; a negative radius asks for more than half a turn
/// (section 3.5.3.1).
///
/// # Errors
/// A chord longer than the diameter, or start and end in one place.
pub(super) fn radius_form(
    start: [f64; 2],
    end: [f64; 2],
    radius: f64,
    clockwise: bool,
) -> Result<[f64; 2], String> {
    let (dx, dy) = (end[0] - start[0], end[1] - start[1]);
    let chord = (dx * dx + dy * dy).sqrt();
    if chord == 0.0 {
        return Err("an arc with R must end elsewhere than it starts".to_owned());
    }
    let r = radius.abs();
    let mut h2 = r * r - chord * chord / 4.0;
    if h2 < 0.0 {
        // Half a turn whose radius was rounded.
        if chord / 2.0 - r > 2e-3 {
            return Err(format!(
                "R {r:.4} mm is less than half the distance of {chord:.4} mm"
            ));
        }
        h2 = 0.0;
    }
    let h = h2.sqrt();
    let left = (radius > 0.0) != clockwise;
    let s = if left { h } else { -h };
    Ok([
        (start[0] + end[0]) / 2.0 - dy / chord * s,
        (start[1] + end[1]) / 2.0 + dx / chord * s,
    ])
}
