//! Drawings of any size for benches: SVG text made from nothing, the same every time.

use std::f64::consts::PI;
use std::fmt::Write;

/// Opening 90 x 52 um with corners of 10 um, every 118 x 80 um: passes the rules of the built-in recipe.
const HALF_MM: [f64; 2] = [0.045, 0.026];
const CORNER_MM: f64 = 0.010;
const PITCH_MM: [f64; 2] = [0.118, 0.080];
/// Foil left round the openings.
const MARGIN_MM: f64 = 2.0;

fn page(size_mm: [f64; 2]) -> String {
    let [w, h] = size_mm;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w:.3}mm\" height=\"{h:.3}mm\" viewBox=\"0 0 {w:.3} {h:.3}\">\n<g id=\"metal\">\n"
    )
}

/// `count` rounded rectangles of `vertices` (a multiple of four, at least eight) vertices each on an almost
/// square page, as polygons with 10 nm decimals; `per_path` of them in each `<path>`.
pub fn openings(count: usize, vertices: usize, per_path: usize) -> String {
    let per_corner = (vertices / 4).max(2);
    let columns = ((count as f64 * PITCH_MM[1] / PITCH_MM[0]).sqrt().ceil() as usize).max(1);
    let rows = count.div_ceil(columns);
    let size = [
        2.0 * MARGIN_MM + PITCH_MM[0] * columns as f64,
        2.0 * MARGIN_MM + PITCH_MM[1] * rows as f64,
    ];
    let corner: Vec<[f64; 2]> = (0..per_corner)
        .map(|j| {
            let a = PI / 2.0 * j as f64 / (per_corner - 1) as f64;
            [a.cos(), a.sin()]
        })
        .collect();
    let mut out = page(size);
    out.reserve(count * per_corner * 4 * 19);
    for i in 0..count {
        if i % per_path.max(1) == 0 {
            out.push_str("<path d=\"");
        }
        let centre = [
            MARGIN_MM + PITCH_MM[0] * ((i % columns) as f64 + 0.5),
            MARGIN_MM + PITCH_MM[1] * ((i / columns) as f64 + 0.5),
        ];
        for quarter in 0..4 {
            for (j, u) in corner.iter().enumerate() {
                // A quarter turn takes (x, y) to (-y, x).
                let (dir, sign) = match quarter {
                    0 => ([u[0], u[1]], [1.0, 1.0]),
                    1 => ([-u[1], u[0]], [-1.0, 1.0]),
                    2 => ([-u[0], -u[1]], [-1.0, -1.0]),
                    _ => ([u[1], -u[0]], [1.0, -1.0]),
                };
                let at =
                    |k: usize| centre[k] + sign[k] * (HALF_MM[k] - CORNER_MM) + CORNER_MM * dir[k];
                let letter = if quarter == 0 && j == 0 { 'M' } else { 'L' };
                let _ = write!(out, "{letter}{:.5} {:.5}", at(0), at(1));
            }
        }
        out.push('Z');
        if (i + 1) % per_path.max(1) == 0 || i + 1 == count {
            out.push_str("\"/>\n");
        }
    }
    out.push_str("</g>\n</svg>\n");
    out
}

/// One comb of about `vertices` vertices: slots with round ends from a back, folded into rows of 40 mm.
pub fn comb(vertices: usize) -> String {
    let per_arc = 12;
    let teeth = (vertices / (2 * per_arc)).max(1);
    let (pitch, length, radius) = (0.080, 0.300, 0.020);
    let per_row = teeth.min(500);
    let rows = teeth.div_ceil(per_row);
    let row_height = length + 0.200;
    let back = 0.060;
    let size = [
        2.0 * MARGIN_MM + pitch * per_row as f64 + 0.2,
        2.0 * MARGIN_MM + row_height * rows as f64 + 0.2,
    ];
    let mut points: Vec<[f64; 2]> = Vec::with_capacity(vertices + 4 * rows);
    let x0 = MARGIN_MM + 0.1;
    let spine = x0 - 0.060;
    let mut left = teeth;
    // Down the spine on its right side: out along the underside of each row's back and home on top.
    points.push([spine - 0.060, MARGIN_MM]);
    for row in 0..rows {
        let y = MARGIN_MM + row_height * row as f64;
        let here = left.min(per_row);
        left -= here;
        // The right side of the last slot.
        let end = x0 + pitch * (here as f64 - 0.5) + radius;
        points.push([if row == 0 { end } else { spine }, y]);
        if row > 0 {
            points.push([end, y]);
        }
        for k in (0..here).rev() {
            let x = x0 + pitch * (k as f64 + 0.5);
            for j in 0..per_arc {
                let a = PI * j as f64 / (per_arc - 1) as f64;
                points.push([x + radius * a.cos(), y + length + radius * a.sin()]);
            }
            if k > 0 {
                // The foil between two slots ends round as well.
                let between = x0 + pitch * k as f64;
                for j in 0..per_arc {
                    let a = PI * j as f64 / (per_arc - 1) as f64;
                    points.push([
                        between + radius * a.cos(),
                        y + back + radius - radius * a.sin(),
                    ]);
                }
            }
        }
        points.push([x0 + pitch / 2.0 - radius, y + back]);
        points.push([spine, y + back]);
    }
    points.push([
        spine - 0.060,
        MARGIN_MM + row_height * (rows - 1) as f64 + back,
    ]);
    let mut out = page(size);
    out.push_str("<path d=\"");
    for (i, p) in points.iter().enumerate() {
        let letter = if i == 0 { 'M' } else { 'L' };
        let _ = write!(out, "{letter}{:.5} {:.5}", p[0], p[1]);
    }
    out.push_str("Z\"/>\n</g>\n</svg>\n");
    out
}
