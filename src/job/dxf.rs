//! DXF R12 (ASCII): one POLYLINE per cut in the order of cutting, layers named by kind and pass.
//!
//! R12 has no word for units: millimetres are stated in a comment (group code 999).

use super::plan::{Plan, Step};
use super::write::{WriteError, Writer};
use crate::kerf::CutKind;
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// Writes `.dxf` files.
#[derive(Debug)]
pub struct DxfWriter;

/// The layer of the sheet's corner marks, which are not cut.
const MARKS: &str = "SHEET_MARKS_NOT_CUT";

impl Writer for DxfWriter {
    fn extension(&self) -> &'static str {
        "dxf"
    }

    fn write(&self, plan: &Plan, recipe: &Recipe) -> Result<Vec<u8>, WriteError> {
        let mut out = String::new();
        comments(&mut out, plan);
        pair(&mut out, 0, "SECTION");
        pair(&mut out, 2, "HEADER");
        pair(&mut out, 9, "$ACADVER");
        pair(&mut out, 1, "AC1009");
        pair(&mut out, 0, "ENDSEC");
        tables(&mut out, plan);
        pair(&mut out, 0, "SECTION");
        pair(&mut out, 2, "ENTITIES");
        let scale = [recipe.scan.scale_x, recipe.scan.scale_y];
        for corner in corner_marks(plan.sheet_mm) {
            polyline(&mut out, MARKS, &corner, scale);
        }
        for step in &plan.steps {
            match step {
                Step::Cut {
                    path,
                    pass,
                    from_mm,
                    to_mm,
                    count,
                } => {
                    let points = plan.cut_points(*path, *from_mm, *to_mm);
                    let count = count.map(|c| format!(" {c}")).unwrap_or_default();
                    pair(&mut out, 999, &format!("path {path} pass {pass}{count}"));
                    let layer = layer(plan.paths[*path as usize].kind, *pass);
                    polyline(&mut out, &layer, &points, scale);
                }
                Step::Dwell { seconds, .. } => {
                    let text = format!(
                        "pause of {} s here, not carried by DXF",
                        trim_number(*seconds, 3)
                    );
                    pair(&mut out, 999, &text);
                }
                Step::Jump { .. } => {}
            }
        }
        pair(&mut out, 0, "ENDSEC");
        pair(&mut out, 0, "EOF");
        Ok(out.into_bytes())
    }
}

/// A group: its code, then its value, each on a line.
fn pair(out: &mut String, code: u16, value: &str) {
    let _ = write!(out, "{code}\n{value}\n");
}

fn layer(kind: CutKind, pass: u32) -> String {
    let kind = match kind {
        CutKind::Opening => "OPENING",
        CutKind::Line => "LINE",
        CutKind::Clear => "CLEAR",
        CutKind::Sheet => "SHEET",
    };
    format!("{kind}_PASS{pass}")
}

fn comments(out: &mut String, plan: &Plan) {
    let s = &plan.settings;
    let n = |v: f64| trim_number(v, 4);
    let plain = |text: &str| -> String {
        text.chars()
            .map(|c| {
                if c.is_ascii_graphic() || c == ' ' {
                    c
                } else {
                    '?'
                }
            })
            .collect()
    };
    for line in [
        "foilwright job, y up".to_owned(),
        "units: millimetres".to_owned(),
        format!("artwork: {}", plain(&plan.artwork)),
        format!("layer: {}", plain(&plan.layer)),
        format!("sheet_mm: {}", plan.sheet_mm.map(n).join(" ")),
        format!("laser_side: {}", s.laser_side),
        format!("kerf_um: {}", n(s.kerf_um)),
        format!("passes: {}", s.passes),
        format!("scale_x: {}", n(s.scale_x)),
        format!("scale_y: {}", n(s.scale_y)),
        "keep the order of the file, join nothing, remove no duplicates, centre nothing".to_owned(),
    ]
    .into_iter()
    .chain(plan.tie_bars.map(|n| format!("tie_bars: {n}")))
    {
        pair(out, 999, &line);
    }
}

fn tables(out: &mut String, plan: &Plan) {
    let mut layers = BTreeSet::from([MARKS.to_owned()]);
    for step in &plan.steps {
        if let Step::Cut { path, pass, .. } = step {
            layers.insert(layer(plan.paths[*path as usize].kind, *pass));
        }
    }
    pair(out, 0, "SECTION");
    pair(out, 2, "TABLES");
    pair(out, 0, "TABLE");
    pair(out, 2, "LTYPE");
    pair(out, 70, "1");
    for (code, value) in [
        (0, "LTYPE"),
        (2, "CONTINUOUS"),
        (70, "0"),
        (3, "Solid line"),
        (72, "65"),
        (73, "0"),
        (40, "0.0"),
    ] {
        pair(out, code, value);
    }
    pair(out, 0, "ENDTAB");
    pair(out, 0, "TABLE");
    pair(out, 2, "LAYER");
    pair(out, 70, &layers.len().to_string());
    for name in &layers {
        pair(out, 0, "LAYER");
        pair(out, 2, name);
        pair(out, 70, "0");
        // Grey for what is not cut, the drawing's own black or white for what is.
        pair(out, 62, if name == MARKS { "8" } else { "7" });
        pair(out, 6, "CONTINUOUS");
    }
    pair(out, 0, "ENDTAB");
    pair(out, 0, "ENDSEC");
}

fn polyline(out: &mut String, layer: &str, points: &[[f64; 2]], scale: [f64; 2]) {
    pair(out, 0, "POLYLINE");
    pair(out, 8, layer);
    pair(out, 66, "1");
    // The base point: R12 wants it, and it is always zero.
    pair(out, 10, "0.0");
    pair(out, 20, "0.0");
    pair(out, 30, "0.0");
    // Open: run-in, overlap and run-out make the ends of a closed cut lie apart.
    pair(out, 70, "0");
    for p in points {
        pair(out, 0, "VERTEX");
        pair(out, 8, layer);
        pair(out, 10, &format!("{:.6}", p[0] / scale[0]));
        pair(out, 20, &format!("{:.6}", p[1] / scale[1]));
        pair(out, 30, "0.0");
    }
    pair(out, 0, "SEQEND");
    pair(out, 8, layer);
}

/// Angles in the corners of the sheet, an eighth of its shorter side long.
pub(super) fn corner_marks(b: [f64; 4]) -> [Vec<[f64; 2]>; 4] {
    let l = (b[2] - b[0]).min(b[3] - b[1]) / 8.0;
    [
        (b[0], b[1], 1.0, 1.0),
        (b[2], b[1], -1.0, 1.0),
        (b[2], b[3], -1.0, -1.0),
        (b[0], b[3], 1.0, -1.0),
    ]
    .map(|(x, y, dx, dy)| vec![[x + dx * l, y], [x, y], [x, y + dy * l]])
}
