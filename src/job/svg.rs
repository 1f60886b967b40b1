//! The cuts as an SVG drawing: one path per cut in the order of cutting, the sheet in a group of its own.

use super::plan::{Plan, Step};
use super::write::{WriteError, Writer};
use crate::recipe::Recipe;
use crate::units::trim_number;
use svg::Document;
use svg::node::element::{Description, Group, Path, Rectangle};

/// Writes `.cut.svg` files.
#[derive(Debug)]
pub struct SvgWriter;

impl Writer for SvgWriter {
    fn extension(&self) -> &'static str {
        "cut.svg"
    }

    fn write(&self, plan: &Plan, _recipe: &Recipe) -> Result<Vec<u8>, WriteError> {
        let b = plan.sheet_mm;
        let (w, h) = (b[2] - b[0], b[3] - b[1]);
        let n = |v: f64| trim_number(v, 5);
        // Job y points up, SVG y down: the picture keeps the job's left and right.
        let xy = |p: [f64; 2]| format!("{} {}", n(p[0] - b[0]), n(b[3] - p[1]));
        let mut cuts = Group::new()
            .set("id", "cuts")
            .set("fill", "none")
            .set("stroke", "#1a1a1f")
            // A round beam: so drawn, the strokes are the area that it sweeps.
            .set("stroke-linecap", "round")
            .set("stroke-linejoin", "round")
            .set("stroke-width", n(plan.settings.kerf_um * 1e-3));
        for step in &plan.steps {
            if let Step::Cut {
                path,
                pass,
                from_mm,
                to_mm,
                count,
            } = step
            {
                let points = plan.cut_points(*path, *from_mm, *to_mm);
                let d: Vec<String> = points
                    .iter()
                    .enumerate()
                    .map(|(i, p)| format!("{}{}", if i == 0 { "M" } else { "L" }, xy(*p)))
                    .collect();
                let p = &plan.paths[*path as usize];
                let mut element = Path::new()
                    .set("d", d.join(""))
                    .set("data-path", *path)
                    .set("data-pass", *pass)
                    .set("data-kind", format!("{:?}", p.kind).to_lowercase());
                if let Some(count) = count {
                    element = element.set("data-cut", count.to_string());
                }
                if let Some(o) = p.opening {
                    element = element.set("data-opening", o);
                }
                cuts = cuts.add(element);
            }
        }
        let sheet = Group::new().set("id", "sheet-outline-not-cut").add(
            Rectangle::new()
                .set("width", n(w))
                .set("height", n(h))
                .set("fill", "none")
                .set("stroke", "#b8bac2")
                .set("stroke-width", 0.05),
        );
        let s = &plan.settings;
        let about = format!(
            "foilwright cut paths; layer {}; kerf_um {}; passes {};{} order {}; laser_side {}; power {} % of {} W; \
             {} kHz; {} mm/s. Keep file order; no joining, no duplicate removal, no automatic centring. \
             Pauses are not carried by this format.",
            plan.layer,
            n(s.kerf_um),
            s.passes,
            plan.tie_bars
                .map(|n| format!(" tie_bars {n};"))
                .unwrap_or_default(),
            s.order,
            s.laser_side,
            n(s.power_percent),
            n(s.rated_power_w),
            n(s.pulse_rate_khz),
            n(s.cut_speed_mm_s)
        );
        let document = Document::new()
            .set("width", format!("{}mm", n(w)))
            .set("height", format!("{}mm", n(h)))
            .set("viewBox", format!("0 0 {} {}", n(w), n(h)))
            .add(Description::new().add(svg::node::Text::new(about)))
            .add(sheet)
            .add(cuts);
        Ok(document.to_string().into_bytes())
    }
}
