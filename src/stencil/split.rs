//! Complementary stencils: openings shared so that no stencil has an island.

use super::bars::{self, Surroundings};
use super::foil::{self, Foil};
use super::geometry::{inner_point, len, mm, strip, sub, v};
use super::{Island, Stencil, TieBar};
use crate::artwork::Layer;
use crate::finding::{Checked, Finding};
use crate::recipe::Recipe;
use crate::regions::{Regions, difference, intersection, union, union_all, xor};
use crate::units::{NM_PER_UM, show_length_um};

/// Width of the lines that part the pieces while they are sorted, nanometres.
const SEAM_NM: f64 = 100.0;

/// Divides the openings at seams, where tie bars would be, and shares the pieces out.
///
/// Pieces that meet at a seam may not share a stencil: pieces are vertices of the conflict graph, seams
/// its edges, and two stencils suffice when it has no odd cycle. The smallest number of colours that a
/// greedy walk from the largest piece finds is used.
pub(super) fn split(
    layer: &Layer,
    sheet: &Regions,
    recipe: &Recipe,
    found: &Foil,
) -> Checked<Vec<Stencil>> {
    let mut findings = Vec::new();
    let around = Surroundings::new(layer);
    let mut unlimited = recipe.clone();
    unlimited.tie_bars.max_per_island = unlimited.tie_bars.min_per_island.max(2);
    unlimited.tie_bars.min_per_island = unlimited.tie_bars.max_per_island;
    let placement = bars::place(found, &around, &unlimited);
    let lines = union_all(
        placement
            .bars
            .iter()
            .map(|b| strip(b.from, b.to, SEAM_NM, 0.0))
            .collect::<Vec<_>>()
            .iter(),
    );
    let pieces = difference(&layer.openings, &lines);
    let overlap_nm = recipe.stitch_overlap_um() * NM_PER_UM;

    // Which pieces meet at which seam.
    let mut meets: Vec<Vec<usize>> = vec![Vec::new(); pieces.len()];
    let mut joints: Vec<(usize, Vec<usize>)> = Vec::new();
    let bounds: Vec<_> = pieces.shapes().map(|s| s.bounds()).collect();
    for (n, bar) in placement.bars.iter().enumerate() {
        let probe = strip(bar.from, bar.to, 20.0 * SEAM_NM, 0.0);
        let Some(near) = probe.bounds() else { continue };
        let at: Vec<usize> = (0..pieces.len())
            .filter(|&i| {
                bounds[i].overlaps(&near)
                    && !intersection(&pieces.shape(i).to_regions(), &probe).is_empty()
            })
            .collect();
        for &a in &at {
            meets[a].extend(at.iter().filter(|&&b| b != a));
        }
        joints.push((n, at));
    }
    let mut order: Vec<usize> = (0..pieces.len()).collect();
    order.sort_by(|&a, &b| {
        pieces
            .shape(b)
            .area_nm2()
            .total_cmp(&pieces.shape(a).area_nm2())
            .then(a.cmp(&b))
    });
    let colour = colours(&order, &meets);
    let stencils = colour.iter().max().map_or(1, |c| c + 1);

    let mut out = Vec::new();
    for c in 0..stencils {
        let mut own = Regions::new();
        let mut laps = Regions::new();
        for (i, piece) in pieces.shapes().enumerate() {
            if colour[i] == c {
                own.push_shape(piece);
            }
        }
        for (n, at) in &joints {
            if at.iter().any(|&i| colour[i] == c) {
                let b = &placement.bars[*n];
                laps.extend(&strip(b.from, b.to, overlap_nm.max(2.0 * SEAM_NM), 0.0));
            }
        }
        // Each piece reaches half the overlap past its seams.
        let openings = union(&own, &intersection(&layer.openings, &union_all([&laps])));
        let letter = char::from(b'a' + u8::try_from(c.min(25)).unwrap_or(25));
        out.push(Stencil {
            name: if stencils == 1 {
                layer.name.clone()
            } else {
                format!("{}-{letter}", layer.name)
            },
            sheet: sheet.clone(),
            drawn: openings.clone(),
            openings,
            islands: Vec::new(),
            tie_bars: Vec::new(),
        });
    }
    report(layer, recipe, found, &placement.bars, &out, &mut findings);
    finish(&mut out, layer, recipe, &mut findings);
    Checked::new(out, findings)
}

fn colours(order: &[usize], meets: &[Vec<usize>]) -> Vec<usize> {
    let mut colour = vec![usize::MAX; meets.len()];
    for &start in order {
        let mut queue = std::collections::VecDeque::from([start]);
        while let Some(i) = queue.pop_front() {
            if colour[i] != usize::MAX {
                continue;
            }
            let used: Vec<usize> = meets[i].iter().map(|&k| colour[k]).collect();
            colour[i] = (0..).find(|c| !used.contains(c)).unwrap_or(0);
            queue.extend(
                meets[i]
                    .iter()
                    .copied()
                    .filter(|&k| colour[k] == usize::MAX),
            );
        }
    }
    colour
}

fn report(
    layer: &Layer,
    recipe: &Recipe,
    found: &Foil,
    seams: &[bars::Placed],
    out: &[Stencil],
    findings: &mut Vec<Finding>,
) {
    let all = union_all(out.iter().map(|s| &s.openings));
    let differs = xor(&all, &layer.openings).area_nm2() / 1e6;
    let at = found
        .frame
        .and_then(|_| (0..found.cores.len()).find(|&i| found.is_loose(i)))
        .map(|i| mm(v(inner_point(found.cores.shape(i)))));
    let length: f64 = seams.iter().map(|s| len(sub(s.to, s.from))).sum();
    let mut f = Finding::note(
        "split",
        format!(
            "{} islands: the layer is shared between {} stencils with {} seams ({} long in all, overlap {}); their union differs from the drawing by {differs:.3} um2",
            found.loose(),
            out.len(),
            seams.len(),
            show_length_um(length / NM_PER_UM),
            show_length_um(recipe.stitch_overlap_um())
        ),
    )
    .hint("align all of them on the same registration marks: draw them in the layer `common`");
    if let Some([x, y]) = at {
        f = f.at(x, y);
    }
    findings.push(f);
}

/// What splitting left loose is held with bars after all, and that is said.
fn finish(out: &mut [Stencil], layer: &Layer, recipe: &Recipe, findings: &mut Vec<Finding>) {
    for stencil in out {
        let left = foil::pieces(&stencil.sheet, &stencil.openings, recipe).loose();
        if left == 0 {
            continue;
        }
        let bars_before: Vec<TieBar> = std::mem::take(&mut stencil.tie_bars);
        let islands_before: Vec<Island> = std::mem::take(&mut stencil.islands);
        super::tie(stencil, layer, recipe, findings);
        stencil.tie_bars.extend(bars_before);
        stencil.islands.extend(islands_before);
        findings.push(
            Finding::warning(
                "split-tied",
                format!(
                    "{left} pieces of foil of stencil `{}` are still loose after the split: tie bars hold them",
                    stencil.name
                ),
            )
            .hint("draw fewer crossings, or place tie lines by hand"),
        );
    }
}
