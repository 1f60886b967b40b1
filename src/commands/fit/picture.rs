//! `fit --picture`: the slot in a micrograph.

use super::{Exit, FitArgs, out_folder, stem_of};
use crate::job::Plan;
use crate::kerf::micrograph::{Grey, Placement, Slot, measure};
use crate::output::OutputSet;
use crate::pictures::micrograph::micrograph_png;
use anyhow::{Context, anyhow};
use serde::Serialize;
use std::path::Path;

/// Largest angle between the slot in the picture and the path in the plan that passes without a warning.
const SAME_DIRECTION_DEG: f64 = 10.0;

/// The path a bridge lies on.
#[derive(Debug, Serialize)]
struct Named {
    bridge: usize,
    at_mm: [f64; 2],
    path: u32,
    distance_um: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    warning: Option<String>,
}

/// The paths to recut, by the job positions of the bridges.
fn name_paths(
    args: &FitArgs,
    picture: &Grey,
    slot: &Slot,
    um_per_px: f64,
) -> anyhow::Result<Vec<Named>> {
    let (Some(file), Some(centre_mm)) = (&args.plan, args.at) else {
        return Ok(Vec::new());
    };
    if !args.turned.is_finite() {
        anyhow::bail!("--turned takes a number of degrees");
    }
    let bytes = std::fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
    let plan: Plan = serde_json::from_slice(&bytes)
        .with_context(|| format!("{} is no plan of this program", file.display()))?;
    let placed = Placement {
        um_per_px,
        centre_mm,
        turned_deg: args.turned,
    };
    let mut out = Vec::new();
    for (i, b) in slot.bridges.iter().enumerate() {
        let at_mm = placed.to_job(picture, [b.x_px, b.y_px]);
        let near = plan
            .nearest_path(at_mm)
            .with_context(|| format!("{} has no paths", file.display()))?;
        // In the picture y points down, so the slot's angle turns the other way.
        let slot_deg = -slot.direction_deg - args.turned;
        let off = (slot_deg - near.direction_deg).rem_euclid(180.0);
        let off = off.min(180.0 - off);
        let reach_um = (slot.width_median_px * um_per_px).max(plan.settings.kerf_um);
        let warning = if near.distance_mm * 1e3 > reach_um {
            Some(format!(
                "no path passes within a slot width ({reach_um:.1} um) of it: check --at, --scale and --turned"
            ))
        } else if off > SAME_DIRECTION_DEG {
            Some(format!(
                "the path runs {off:.0} degrees away from the slot in the picture: check --at and --turned"
            ))
        } else {
            None
        };
        out.push(Named {
            bridge: i + 1,
            at_mm,
            path: near.path,
            distance_um: near.distance_mm * 1e3,
            warning,
        });
    }
    Ok(out)
}

/// The paths of all bridges that were named without a warning, each once, as `--only` takes them.
fn only(named: &[Named]) -> Vec<u32> {
    let mut paths: Vec<u32> = named
        .iter()
        .filter(|n| n.warning.is_none())
        .map(|n| n.path)
        .collect();
    paths.sort_unstable();
    paths.dedup();
    paths
}

pub fn run(args: &FitArgs, path: &Path, um_per_px: f64) -> anyhow::Result<Exit> {
    let bytes = std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))?;
    let whose = |e| anyhow!("{} {e}", path.display());
    let picture = Grey::decode(&bytes).map_err(whose)?;
    let slot = measure(&picture).map_err(whose)?;
    let named = name_paths(args, &picture, &slot, um_per_px)?;
    let recut = only(&named);
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
            "bridges_on_paths": named,
            "recut_paths": recut,
            "files": written.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        });
        say!("{}", serde_json::to_string_pretty(&json)?);
    } else if !args.quiet {
        say!(
            "slot width: {:.3} um median, {:.3} to {:.3} um over {} stations",
            um(slot.width_median_px),
            um(slot.width_min_px),
            um(slot.width_max_px),
            slot.stations.len()
        );
        let [a, b] = slot.roughness_px.map(um);
        say!(
            "edges: roughness {a:.3} and {b:.3} um (noise of the picture included), blur {:.3} um",
            um(slot.blur_px)
        );
        if slot.bridges.is_empty() {
            say!("no metal bridges the slot");
        }
        for (i, m) in slot.bridges.iter().enumerate() {
            say!(
                "bridge {}: at pixel ({:.0}, {:.0}), {:.2} um long",
                i + 1,
                m.x_px,
                m.y_px,
                um(m.length_px)
            );
        }
        for n in &named {
            say!(
                "bridge {}: path {} of the plan, {:.1} um from its line, at job ({:.3}, {:.3}) mm",
                n.bridge,
                n.path,
                n.distance_um,
                n.at_mm[0],
                n.at_mm[1]
            );
            if let Some(w) = &n.warning {
                say!("warning: bridge {}: {w}", n.bridge);
            }
        }
        if !recut.is_empty() {
            let list: Vec<String> = recut.iter().map(u32::to_string).collect();
            say!(
                "recut them while the foil is still clamped: --only {}",
                list.join(",")
            );
        }
        for w in &slot.warnings {
            say!("warning: {w}");
        }
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(0)
}
