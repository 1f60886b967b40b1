//! A quick proof that the foil stays one piece: no boolean over the whole sheet where openings are apart.

use crate::regions::{Bounds, Regions, are_apart, clusters, inset_with_origin, is_convex};
use rayon::prelude::*;

/// Whether the openings, each wider by `half_nm` all round, surely leave the sheet in one piece: none
/// reaches its edge, none encloses foil, and no two touch. `false` only means that one has to look.
pub(super) fn surely(sheet: &Regions, openings: &Regions, half_nm: f64, tolerance_nm: f64) -> bool {
    let reach = (half_nm + 2.0 * tolerance_nm).ceil() as i32 + 1;
    let Some(edge) = sheet.bounds().map(|b| b.grown(-2 * reach)) else {
        return false;
    };
    if sheet.len() != 1 || sheet.vertex_count() != 4 {
        return false;
    }
    let shapes: Vec<usize> = (0..openings.len()).collect();
    let simple = shapes.par_iter().with_min_len(512).all(|&i| {
        let shape = openings.shape(i);
        let b = shape.bounds();
        shape.holes().len() == 0
            && b.min.x > edge.min.x
            && b.min.y > edge.min.y
            && b.max.x < edge.max.x
            && b.max.y < edge.max.y
    });
    if !simple {
        return false;
    }
    let grown: Vec<Bounds> = openings.shapes().map(|s| s.bounds().grown(reach)).collect();
    // A convex opening alone in its box encloses nothing.
    let mut doubtful = Regions::new();
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for group in clusters(&grown).iter() {
        if let [one] = *group
            && is_convex(openings.shape(one as usize).outer())
        {
            continue;
        }
        let start = doubtful.len();
        for &i in group {
            doubtful.push_shape(openings.shape(i as usize));
        }
        groups.push((start..doubtful.len()).collect());
    }
    let (wide, origin) = inset_with_origin(&doubtful, -half_nm, tolerance_nm);
    // One ring from each: an opening that closes round foil as it grows gets a hole.
    wide.len() == doubtful.len()
        && wide.ring_count() == wide.len()
        && origin.iter().enumerate().all(|(i, &o)| i == o as usize)
        && groups
            .into_par_iter()
            .filter(|g| g.len() > 1)
            .all(|g| are_apart(g.iter().map(|&i| wide.shape(i).outer())))
}
