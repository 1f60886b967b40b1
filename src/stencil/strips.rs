//! The metal of tie bars: strips over the openings, as far as they belong to the bars.

use super::geometry::{V, strip, v};
use crate::recipe::Recipe;
use crate::regions::{Regions, difference, intersection, outset, union_all};
use crate::units::NM_PER_UM;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

/// Bars so far.
#[derive(Debug, Default)]
pub struct Strips {
    bars: Vec<Bar>,
}

#[derive(Debug)]
struct Bar {
    from: V,
    to: V,
    width_nm: f64,
}

impl Strips {
    /// Adds a bar about the line `from to`.
    pub fn push(&mut self, from: V, to: V, width_nm: f64) {
        self.bars.push(Bar { from, to, width_nm });
    }
    pub fn is_empty(&self) -> bool {
        self.bars.is_empty()
    }
    /// The openings less the metal of the bars.
    pub fn take_from(&self, drawn: &Regions, recipe: &Recipe) -> Regions {
        difference(drawn, &self.metal(drawn, recipe))
    }
    /// What is to be taken from the openings so that the bars become metal: their strips, except what they cover on
    /// the other side of a thin piece of foil, which is further from the centre line than half the minimum web.
    fn metal(&self, drawn: &Regions, recipe: &Recipe) -> Regions {
        let tolerance_nm = recipe.tolerance_um() * NM_PER_UM;
        let web_nm = recipe.min_web_um() * NM_PER_UM;
        let strips: Vec<Regions> = self
            .bars
            .iter()
            .map(|b| strip(b.from, b.to, b.width_nm, 0.0))
            .collect();
        let all = union_all(&strips);
        let covered = intersection(drawn, &all);
        let tree = boxes(&covered);
        let near = |strip: &Regions| -> Vec<usize> {
            let about = strip
                .bounds()
                .map(|b| AABB::from_corners(v(b.min), v(b.max)));
            let mut near: Vec<usize> = about
                .iter()
                .flat_map(|a| tree.locate_in_envelope_intersecting(a))
                .map(|g| g.data)
                .collect();
            near.sort_unstable();
            near
        };
        let mut kept = vec![false; covered.len()];
        for (bar, own) in self.bars.iter().zip(&strips) {
            let near = near(own);
            if let [only] = near[..] {
                kept[only] = true;
                continue;
            }
            let core = strip(bar.from, bar.to, web_nm, 0.0);
            for i in near {
                kept[i] |= !intersection(&covered.shape(i).to_regions(), &core).is_empty();
            }
        }
        if kept.iter().all(|k| *k) {
            return all;
        }
        // Strips over both: as far as what stays metal reaches, and a little into the foil.
        let parts: Vec<Regions> = strips
            .into_iter()
            .map(|strip| {
                let near = near(&strip);
                if near.iter().all(|&i| kept[i]) {
                    return strip;
                }
                let mut metal = Regions::new();
                for i in near.into_iter().filter(|&i| kept[i]) {
                    metal.push_shape(covered.shape(i));
                }
                intersection(&strip, &outset(&metal, 4.0 * tolerance_nm, tolerance_nm))
            })
            .collect();
        union_all(&parts)
    }
}

fn boxes(regions: &Regions) -> RTree<GeomWithData<Rectangle<V>, usize>> {
    let boxes = regions.shapes().enumerate().map(|(i, s)| {
        let b = s.bounds();
        GeomWithData::new(Rectangle::from_corners(v(b.min), v(b.max)), i)
    });
    RTree::bulk_load(boxes.collect())
}
