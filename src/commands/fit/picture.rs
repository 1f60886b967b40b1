//! `fit --picture`: the slot in a micrograph.

use super::{Exit, FitArgs, out_folder, stem_of};
use crate::kerf::micrograph::{Grey, measure};
use crate::output::OutputSet;
use crate::pictures::micrograph::micrograph_png;
use anyhow::{Context, anyhow};
use std::path::Path;

pub fn run(args: &FitArgs, path: &Path, um_per_px: f64) -> anyhow::Result<Exit> {
    let bytes = std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))?;
    let whose = |e| anyhow!("{} {e}", path.display());
    let picture = Grey::decode(&bytes).map_err(whose)?;
    let slot = measure(&picture).map_err(whose)?;
    let mut files = OutputSet::new(&out_folder(args, path));
    files.add(
        format!("{}.slot.png", stem_of(path)),
        micrograph_png(&picture, &slot, um_per_px),
    );
    let written = files.write(&[])?;
    let um = |px: f64| px * um_per_px;
    if args.json {
        let json = serde_json::json!({
            "schema": "foilwright.fit/1",
            "kind": "picture",
            "um_per_px": um_per_px,
            "width_min_um": um(slot.width_min_px),
            "width_median_um": um(slot.width_median_px),
            "width_max_um": um(slot.width_max_px),
            "roughness_um": slot.roughness_px.map(um),
            "slot": slot,
            "files": written.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        });
        println!("{}", serde_json::to_string_pretty(&json)?);
    } else if !args.quiet {
        println!(
            "slot width: {:.3} um median, {:.3} to {:.3} um over {} stations",
            um(slot.width_median_px),
            um(slot.width_min_px),
            um(slot.width_max_px),
            slot.stations.len()
        );
        let [a, b] = slot.roughness_px.map(um);
        println!(
            "edges: roughness {a:.3} and {b:.3} um (noise of the picture included), blur {:.3} um",
            um(slot.blur_px)
        );
        if slot.bridges.is_empty() {
            println!("no metal bridges the slot");
        }
        for (i, m) in slot.bridges.iter().enumerate() {
            println!(
                "bridge {}: at pixel ({:.0}, {:.0}), {:.2} um long",
                i + 1,
                m.x_px,
                m.y_px,
                um(m.length_px)
            );
        }
        for w in &slot.warnings {
            println!("warning: {w}");
        }
        for path in written {
            println!("wrote {}", path.display());
        }
    }
    Ok(0)
}
