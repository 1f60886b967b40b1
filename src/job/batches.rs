//! Hand-over to a controller that imports vector art: numbered SVG batches, split at every pause, each
//! with the corners of the whole sheet, and a sheet of settings for whoever stands at the machine.

use super::dxf::corner_marks;
use super::plan::{CutCount, Plan, Step};
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::fmt::Write as _;
use svg::Document;
use svg::node::element::{Description, Group, Path, Polyline};

/// One batch: cuts between two pauses.
#[derive(Default)]
struct Batch {
    cuts: Vec<Cut>,
    wait_before_s: f64,
    reason: String,
}

struct Cut {
    path: u32,
    pass: u32,
    count: Option<CutCount>,
    points: Vec<[f64; 2]>,
}

/// The files of the hand-over folder, names and contents.
pub fn batches(plan: &Plan, recipe: &Recipe) -> Vec<(String, Vec<u8>)> {
    let list = split(plan);
    let mut settings = settings_text(plan, recipe, list.len());
    let mut out = Vec::with_capacity(list.len() + 1);
    for (i, batch) in list.iter().enumerate() {
        let name = format!("batch-{:04}.svg", i + 1);
        describe(&mut settings, &name, batch);
        out.push((name, drawing(plan, batch, i + 1, list.len())));
    }
    out.push(("settings.txt".to_owned(), settings.into_bytes()));
    out
}

fn split(plan: &Plan) -> Vec<Batch> {
    let mut list = vec![Batch::default()];
    for step in &plan.steps {
        let last = list.len() - 1;
        match step {
            Step::Jump { .. } => {}
            Step::Cut {
                path,
                pass,
                from_mm,
                to_mm,
                count,
            } => list[last].cuts.push(Cut {
                path: *path,
                pass: *pass,
                count: *count,
                points: plan.cut_points(*path, *from_mm, *to_mm).into_owned(),
            }),
            Step::Dwell { seconds, reason } => {
                if list[last].cuts.is_empty() {
                    list[last].wait_before_s += seconds;
                } else {
                    list.push(Batch {
                        wait_before_s: *seconds,
                        reason: reason.clone(),
                        ..Batch::default()
                    });
                }
            }
        }
    }
    list.retain(|b| !b.cuts.is_empty());
    list
}

fn drawing(plan: &Plan, batch: &Batch, number: usize, of: usize) -> Vec<u8> {
    let b = plan.sheet_mm;
    let n = |v: f64| trim_number(v, 5);
    // Job y points up, SVG y down.
    let xy = |p: &[f64; 2]| format!("{} {}", n(p[0] - b[0]), n(b[3] - p[1]));
    let mut marks = Group::new()
        .set("id", "sheet-corners-not-cut")
        .set("fill", "none")
        .set("stroke", "#b8bac2")
        .set("stroke-width", 0.05);
    for corner in corner_marks(b) {
        let points: Vec<String> = corner.iter().map(xy).collect();
        marks = marks.add(Polyline::new().set("points", points.join(" ")));
    }
    let mut cuts = Group::new()
        .set("id", "cuts")
        .set("fill", "none")
        .set("stroke", "#1a1a1f")
        .set("stroke-width", 0.01);
    for cut in &batch.cuts {
        let d: Vec<String> = cut.points.iter().map(xy).collect();
        let mut element = Path::new()
            .set("d", format!("M{}", d.join("L")))
            .set("data-path", cut.path)
            .set("data-pass", cut.pass);
        if let Some(count) = cut.count {
            element = element.set("data-cut", count.to_string());
        }
        cuts = cuts.add(element);
    }
    let s = &plan.settings;
    let about = format!(
        "foilwright cut paths, batch {number} of {of}; layer {}; kerf_um {}; passes {}; laser_side {}",
        plan.layer,
        n(s.kerf_um),
        s.passes,
        s.laser_side
    );
    Document::new()
        .set("width", format!("{}mm", n(b[2] - b[0])))
        .set("height", format!("{}mm", n(b[3] - b[1])))
        .set(
            "viewBox",
            format!("0 0 {} {}", n(b[2] - b[0]), n(b[3] - b[1])),
        )
        .add(Description::new().add(svg::node::Text::new(about)))
        .add(marks)
        .add(cuts)
        .to_string()
        .into_bytes()
}

fn settings_text(plan: &Plan, recipe: &Recipe, count: usize) -> String {
    let s = &plan.settings;
    let n = |v: f64| trim_number(v, 4);
    let b = plan.sheet_mm;
    let mut out = String::new();
    let mut line = |name: &str, value: String| {
        let _ = writeln!(out, "{name:<28}{value}");
    };
    line("artwork", plan.artwork.clone());
    line("layer", plan.layer.clone());
    line("batches", count.to_string());
    if !plan.clearing.is_empty() {
        let numbers: Vec<String> = plan.clearing.iter().map(u32::to_string).collect();
        line(
            "clearing",
            format!(
                "paths {} are cut again and come out wider; only for foil that was not moved since",
                numbers.join(", ")
            ),
        );
    }
    line(
        "material",
        format!("{} {} um", s.material, n(s.thickness_um)),
    );
    line(
        "power",
        format!("{} % of {} W", n(s.power_percent), n(s.rated_power_w)),
    );
    line("cutting speed", format!("{} mm/s", n(s.cut_speed_mm_s)));
    line("jump speed", format!("{} mm/s", n(s.jump_speed_mm_s)));
    line(
        "settling after a jump",
        format!("{} ms", n(s.jump_settle_ms)),
    );
    line("pulse rate", format!("{} kHz", n(s.pulse_rate_khz)));
    line("pulse width", format!("{} ns", n(s.pulse_width_ns)));
    line(
        "focus",
        format!(
            "{} mm from the foil, positive away from the lens",
            n(s.focus_offset_mm)
        ),
    );
    // Passes are written out in the batches: the machine must not repeat them.
    line("passes to set", "1".to_owned());
    line(
        "passes in the batches",
        format!("{} ({})", s.passes, s.scheme),
    );
    line("kerf allowed for", format!("{} um", n(s.kerf_um)));
    line("units", "millimetres; 1 user unit = 1 mm".to_owned());
    line(
        "sheet",
        format!("{} x {} mm", n(b[2] - b[0]), n(b[3] - b[1])),
    );
    line(
        "sheet outline",
        match plan.sheet_tabs() {
            0 => "not cut".to_owned(),
            tabs => format!(
                "cut last, held by {tabs} tabs of {} um",
                n(recipe.sheet.tab_um)
            ),
        },
    );
    line(
        "laser side",
        match s.laser_side.as_str() {
            "substrate" => {
                "the side that will lie on the substrate; the drawings are mirrored".to_owned()
            }
            _ => "the side that will face the source; the drawings are not mirrored".to_owned(),
        },
    );
    line(
        "scale",
        format!(
            "x {}, y {} (measured; set at the machine, the drawings are true to size)",
            n(recipe.scan.scale_x),
            n(recipe.scan.scale_y)
        ),
    );
    out.push_str(
        "\nkeep file order; no joining, no duplicate removal, no automatic centring\n\
         The group `sheet-corners-not-cut` holds the position: import it, place all batches by it, do not cut it.\n\n",
    );
    let _ = writeln!(
        out,
        "{:<18}{:>10}{:>8}  {:<44}centre_mm",
        "batch", "wait_s", "cuts", "box_mm (x min, y min, x max, y max; y up)"
    );
    out
}

fn describe(out: &mut String, name: &str, batch: &Batch) {
    let mut b = [
        f64::INFINITY,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::NEG_INFINITY,
    ];
    for p in batch.cuts.iter().flat_map(|c| &c.points) {
        b = [
            b[0].min(p[0]),
            b[1].min(p[1]),
            b[2].max(p[0]),
            b[3].max(p[1]),
        ];
    }
    let n = |v: f64| format!("{v:.4}");
    let _ = writeln!(
        out,
        "{name:<18}{:>10}{:>8}  {:<44}{}  {}",
        trim_number(batch.wait_before_s, 3),
        batch.cuts.len(),
        b.map(n).join(" "),
        [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0].map(n).join(" "),
        batch.reason
    );
}
