//! Thousands of public drawings, none of them made for foil.

use super::raster::Raster;
use super::{recipe, sheet};
use foilwright::artwork::{self, ReadOptions};
use foilwright::finding::Severity;
use foilwright::stencil::{IslandMode, hold_together, loose_pieces};
use std::path::{Path, PathBuf};

fn svgs(dir: &Path, out: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(dir) else {
        return;
    };
    for e in entries.flatten() {
        let p = e.path();
        if p.is_dir() {
            svgs(&p, out);
        } else if p.extension().is_some_and(|x| x == "svg") {
            out.push(p);
        }
    }
}

/// The icon on a page of 25 mm, scaled to 20 mm, all of its paint in one layer.
fn on_page(text: &str) -> Option<String> {
    let doc = roxmltree::Document::parse(text).ok()?;
    let root = doc.root_element();
    let view: Vec<f64> = root
        .attribute("viewBox")?
        .split_whitespace()
        .filter_map(|t| t.parse().ok())
        .collect();
    let [x, y, w, h] = view[..] else { return None };
    let k = 20.0 / w.max(h);
    let inherited: String = root
        .attributes()
        .filter(|a| a.name().starts_with("stroke") || a.name().starts_with("fill"))
        .map(|a| format!(r#" {}="{}""#, a.name(), a.value()))
        .collect();
    let body_from = root.first_child()?.range().start;
    let body_to = root.last_child()?.range().end;
    Some(format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="25mm" height="25mm" viewBox="0 0 25 25"><g id="icon"{inherited} transform="translate({} {}) scale({k})">{}</g></svg>"#,
        12.5 - k * (x + w / 2.0),
        12.5 - k * (y + h / 2.0),
        &text[body_from..body_to]
    ))
}

/// Needs the five packages under `.outside/node_modules`: `npm i --prefix .outside --ignore-scripts`
/// `@mdi/svg@7.4.47 bootstrap-icons@1.13.2 @fortawesome/fontawesome-free@7.3.1 @tabler/icons@3.52.0`
/// `lucide-static@1.62.0`. `FOILWRIGHT_ICONS=1` takes every icon, the default is each tenth.
#[test]
#[ignore = "slow; needs the icon packages named above it"]
fn slow_icons_hold_together() {
    let mut files = Vec::new();
    svgs(Path::new(".outside/node_modules"), &mut files);
    files.sort();
    if let Ok(part) = std::env::var("FOILWRIGHT_ICON") {
        files.retain(|f| f.display().to_string().contains(&part));
    }
    if files.is_empty() {
        eprintln!("skipped: no icon packages under .outside/node_modules");
        return;
    }
    let step: usize = std::env::var("FOILWRIGHT_ICONS")
        .ok()
        .and_then(|s| s.parse().ok())
        .unwrap_or(10);
    let recipe = recipe();
    let page = sheet(25.0, 25.0);
    let pixel = 12.5e3;
    let began = std::time::Instant::now();
    let (mut n, mut refused, mut islands, mut bars, mut specks) = (0, 0, 0, 0, 0);
    let (mut bar_area, mut open_area) = (0.0, 0.0);
    let (mut loose, mut unneeded, mut blocked) = (Vec::new(), Vec::new(), Vec::new());
    for file in files.iter().step_by(step) {
        let text = std::fs::read_to_string(file).unwrap();
        let Some(svg) = on_page(&text) else { continue };
        n += 1;
        let Ok(art) = artwork::read_str(&svg, "icon", &ReadOptions::default()) else {
            refused += 1;
            continue;
        };
        let name = file.display().to_string();
        let icon_began = std::time::Instant::now();
        for layer in &art.value.layers {
            let out = hold_together(layer, &page, &recipe, IslandMode::Tie);
            if out
                .findings
                .iter()
                .any(|f| f.severity == Severity::Blocking)
            {
                blocked.push(name.clone());
            }
            if icon_began.elapsed().as_secs_f64() > 1.0 {
                eprintln!("{:.1} s: {name}", icon_began.elapsed().as_secs_f64());
            }
            let s = &out.value[0];
            islands += s.islands.iter().filter(|i| !i.speck).count();
            specks += s.islands.iter().filter(|i| i.speck).count();
            bars += s.tie_bars.len();
            open_area += s.drawn.area_nm2();
            bar_area += s.drawn.area_nm2() - s.openings.area_nm2();
            // Pieces of at least 2 x 2 minimum webs must not come loose.
            let size = (50.8e3f64 / pixel).powi(2) as usize;
            let picture = Raster::of(&s.openings, [25e6, 25e6], pixel);
            if picture.loose().iter().any(|&p| p >= size)
                || loose_pieces(&page, &s.openings, &recipe) > 0
            {
                loose.push(name.clone());
            }
            // No bar where nothing is loose in the picture, be it as drawn or with webs under 25 um
            // or 50 um taken away (the widest erosion also takes away the smallest islands).
            let drawn = Raster::of(&s.drawn, [25e6, 25e6], pixel);
            if !s.tie_bars.is_empty() && (0..3).all(|n| drawn.eroded(n).loose().is_empty()) {
                unneeded.push(name.clone());
            }
        }
    }
    eprintln!(
        "{n} icons, {refused} refused, {islands} islands, {specks} specks, {bars} bars, {:.2} per mille of opening area, {} loose, {} unneeded, {} blocked, {:.1} s",
        1e3 * bar_area / open_area,
        loose.len(),
        unneeded.len(),
        blocked.len(),
        began.elapsed().as_secs_f64()
    );
    eprintln!("loose {loose:#?}\nunneeded {unneeded:#?}\nblocked {blocked:#?}");
    assert!(loose.is_empty() && unneeded.is_empty() && blocked.is_empty());
}
