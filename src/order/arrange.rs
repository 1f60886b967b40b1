//! From contours to a sequence: where each starts, which comes next, how the passes interleave.

use super::coolest::coolest;
use super::travel::{self, Effort, JumpCost, Stop};
use super::{OrderMode, Sequence, Visit, cool, stagger_mm};
use crate::finding::Checked;
use crate::kerf::{Contour, CutKind, CutPath, lay};
use crate::recipe::{Recipe, Scheme};
use crate::regions::Point;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Most contours for which cool order is held against the other orders: among more there is always room to spread.
const MOST_TRIED: usize = 2000;

/// Orders the contours, lays run-ins and overlaps, and lists every visit of the beam.
///
/// `sheet_mm` is the sheet in page coordinates (x min, y min, x max, y max).
pub fn arrange(
    contours: &[Contour],
    recipe: &Recipe,
    mode: OrderMode,
    sheet_mm: [f64; 4],
) -> Checked<Sequence> {
    let stops = match mode {
        OrderMode::Travel => least_travel(contours, recipe),
        OrderMode::Artwork | OrderMode::Cool => travel::as_drawn(contours),
    };
    let paths = laid(contours, &stops, recipe);
    if mode != OrderMode::Cool {
        let visits = visits_in_order(&paths, recipe);
        return Checked::new(Sequence { paths, visits }, Vec::new());
    }
    let mut findings = Vec::new();
    let cooled = cool::schedule(&paths, recipe, sheet_mm).take(&mut findings);
    let in_order = |paths: Vec<CutPath>| Sequence {
        visits: visits_in_order(&paths, recipe),
        paths,
    };
    if contours.len() > MOST_TRIED {
        let visits = cooled.visits;
        return Checked::new(Sequence { paths, visits }, findings);
    }
    let least = laid(contours, &least_travel(contours, recipe), recipe);
    let others = vec![
        ("as drawn", in_order(paths.clone())),
        ("of least travel", in_order(least)),
    ];
    let limit_k = cooled.limit_k;
    let cooled = Sequence {
        paths,
        visits: cooled.visits,
    };
    let mut instead = Vec::new();
    let sequence = coolest(cooled, limit_k, others, recipe, sheet_mm).take(&mut instead);
    if !instead.is_empty() {
        // What cool order would have needed no longer matters.
        findings = instead;
    }
    Checked::new(sequence, findings)
}

fn least_travel(contours: &[Contour], recipe: &Recipe) -> Vec<Stop> {
    let cost = JumpCost {
        speed_mm_s: recipe.scan.jump_speed_mm_s,
        settle_ms: recipe.scan.jump_settle_ms,
    };
    travel::shortest(contours, &cost, Effort::Normal)
}

/// Lays run-ins and overlaps along the contours in the order of the stops.
fn laid(contours: &[Contour], stops: &[Stop], recipe: &Recipe) -> Vec<CutPath> {
    let mut place = vec![0u32; contours.len()];
    for (i, stop) in stops.iter().enumerate() {
        place[stop.contour as usize] = i as u32;
    }
    // Rings around foil that stands inside an opening, by the outline that encloses them: strokes that clear the slug
    // may lie between.
    let mut holes: BTreeMap<u32, Vec<&[Point]>> = BTreeMap::new();
    for c in contours.iter().filter(|c| c.kind == CutKind::Opening) {
        let mut around = c.parent;
        while let Some(k) = around.filter(|&k| contours[k as usize].kind == CutKind::Clear) {
            around = contours[k as usize].parent;
        }
        if let Some(outline) = around {
            holes.entry(outline).or_default().push(&c.points);
        }
    }
    stops
        .par_iter()
        .with_min_len(256)
        .map(|stop| {
            let contour = &contours[stop.contour as usize];
            let mut path = lay(
                contour,
                stop.start,
                stop.reversed,
                holes.get(&stop.contour).map_or(&[], Vec::as_slice),
                recipe,
            );
            path.parent = path.parent.map(|p| place[p as usize]);
            path
        })
        .collect()
}

/// Adds cuts that come after everything else, in the order given.
///
/// In cool order they are spread among themselves by heat; what earlier cuts left is not counted.
pub fn append_last(
    sequence: &mut Sequence,
    paths: Vec<CutPath>,
    recipe: &Recipe,
    mode: OrderMode,
    sheet_mm: [f64; 4],
) {
    let mut visits = if mode == OrderMode::Cool && !paths.is_empty() {
        cool::schedule(&paths, recipe, sheet_mm).value.visits
    } else {
        visits_in_order(&paths, recipe)
    };
    let first = sequence.paths.len() as u32;
    for visit in &mut visits {
        visit.path += first;
    }
    sequence.paths.extend(paths);
    sequence.visits.append(&mut visits);
}

/// Cool visits of paths that are laid already: the sheet's own outline comes after everything else.
pub fn cool_visits(paths: &[CutPath], recipe: &Recipe, sheet_mm: [f64; 4]) -> Vec<Visit> {
    let outline = paths
        .iter()
        .position(|p| p.kind == CutKind::Sheet)
        .unwrap_or(paths.len());
    let mut sequence = Sequence {
        paths: paths[..outline].to_vec(),
        visits: cool::schedule(&paths[..outline], recipe, sheet_mm)
            .value
            .visits,
    };
    let last = paths[outline..].to_vec();
    append_last(&mut sequence, last, recipe, OrderMode::Cool, sheet_mm);
    sequence.visits
}

/// Every path in its place, whole, in all passes as the recipe's scheme says.
pub fn visits_in_order(paths: &[CutPath], recipe: &Recipe) -> Vec<Visit> {
    let passes = recipe.passes.count;
    let visit = |path: usize, pass: u32, length: f64| Visit {
        path: path as u32,
        pass,
        from_mm: stagger_mm(&paths[path], [0.0, length], pass, recipe),
        to_mm: length,
        dwell_before_s: 0.0,
        dwell_reason: String::new(),
    };
    let lengths: Vec<f64> = paths.iter().map(CutPath::length_mm).collect();
    let mut out = Vec::with_capacity(paths.len() * passes as usize);
    match recipe.passes.scheme {
        Scheme::Rounds => {
            for pass in 1..=passes {
                out.extend((0..paths.len()).map(|p| visit(p, pass, lengths[p])));
            }
        }
        Scheme::InPlace => {
            for (p, length) in lengths.iter().enumerate() {
                out.extend((1..=passes).map(|pass| visit(p, pass, *length)));
            }
        }
    }
    out
}
