//! From contours to a sequence: where each starts, which comes next, how the passes interleave.

use super::{OrderMode, Sequence, Visit};
use crate::finding::Checked;
use crate::kerf::{Contour, CutPath, lay};
use crate::recipe::{Recipe, Scheme};

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
        OrderMode::Artwork => as_drawn(contours),
        OrderMode::Travel | OrderMode::Cool => as_drawn(contours),
    };
    let mut place = vec![0u32; contours.len()];
    for (i, (contour, _, _)) in stops.iter().enumerate() {
        place[*contour] = i as u32;
    }
    let paths: Vec<CutPath> = stops
        .iter()
        .map(|&(c, start, reversed)| {
            let mut path = lay(&contours[c], start, reversed, recipe);
            path.parent = path.parent.map(|p| place[p as usize]);
            path
        })
        .collect();
    let _ = sheet_mm;
    let visits = visits_in_order(&paths, recipe);
    Checked::new(Sequence { paths, visits }, Vec::new())
}

/// Every path in its place, whole, in all passes as the recipe's scheme says.
pub fn visits_in_order(paths: &[CutPath], recipe: &Recipe) -> Vec<Visit> {
    let passes = recipe.passes.count;
    let visit = |path: usize, pass: u32, length: f64| {
        // Staggered passes start a fraction of the pulse pitch further on, so that pulses interleave.
        let shift = if recipe.passes.stagger && passes > 1 {
            let pitch_mm = recipe.pulse_pitch_um() * 1e-3;
            (pitch_mm * f64::from(pass - 1) / f64::from(passes)).min(length / 2.0)
        } else {
            0.0
        };
        Visit {
            path: path as u32,
            pass,
            from_mm: shift,
            to_mm: length,
            dwell_before_s: 0.0,
            dwell_reason: String::new(),
        }
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

/// As drawn, with inner contours moved before the ones that enclose them: (contour, start, reversed).
fn as_drawn(contours: &[Contour]) -> Vec<(usize, u32, bool)> {
    let mut children: Vec<Vec<usize>> = vec![Vec::new(); contours.len()];
    for (i, c) in contours.iter().enumerate() {
        if let Some(p) = c.parent {
            children[p as usize].push(i);
        }
    }
    let mut out = Vec::with_capacity(contours.len());
    for (i, c) in contours.iter().enumerate() {
        if c.parent.is_some() {
            continue;
        }
        // Children first, without recursion: nesting may be deep.
        let mut stack = vec![(i, false)];
        while let Some((c, expanded)) = stack.pop() {
            if expanded || children[c].is_empty() {
                out.push((c, 0, false));
            } else {
                stack.push((c, true));
                stack.extend(children[c].iter().rev().map(|k| (*k, false)));
            }
        }
    }
    out
}
