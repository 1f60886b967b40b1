//! Corners: slivers of foil, corners that foil tears from, and shapes drawn twice.

use crate::artwork::{Element, Layer};
use crate::finding::Finding;
use crate::recipe::Recipe;
use crate::regions::{Point, Regions};
use crate::stencil::geometry::{V, cross, dot, len, mm, sub, v};
use crate::units::{NM_PER_UM, show_length_um};

/// Corners of openings sharper than this are reported, degrees (common practice, no source).
const SHARP_DEG: f64 = 45.0;
/// Sharper ones are spikes that rounding leaves in an outline.
const SPIKE_DEG: f64 = 0.3;
/// A point of foil is a sliver when it stays narrower than the minimum web over this many of them.
const SLIVER_WEBS: f64 = 4.0;

/// Points of foil that stay narrower than the minimum web for long: they burn away or bend.
pub(super) fn slivers(openings: &Regions, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let web_nm = recipe.min_web_um() * NM_PER_UM;
    for ring in openings.rings() {
        for i in 0..ring.len() {
            // Openings lie to the left of their edges: foil points where the outline turns right.
            let Some((turn, deg)) = sharp_corner(ring, i) else {
                continue;
            };
            if turn >= 0.0 || deg > SHARP_DEG {
                continue;
            }
            let (length, mean_width) = narrow_length(ring, i, web_nm);
            if length < SLIVER_WEBS * web_nm || mean_width < super::DUST_NM {
                continue;
            }
            let [x, y] = mm(v(ring[i]));
            findings.push(
                Finding::warning(
                    "foil-sliver",
                    format!(
                        "a point of foil is narrower than {} over a length of {}: it burns away or bends",
                        show_length_um(recipe.min_web_um()),
                        show_length_um(length / NM_PER_UM)
                    ),
                )
                .hint("cut the point off, or let the openings overlap")
                .at(x, y)
                .measured(length / NM_PER_UM, SLIVER_WEBS * recipe.min_web_um()),
            );
        }
    }
}

/// Sharp corners of openings: one note for all of them, at the sharpest.
pub(super) fn sharp(openings: &Regions, recipe: &Recipe, findings: &mut Vec<Finding>) {
    let kerf_nm = recipe.kerf.width_um * NM_PER_UM;
    let (mut count, mut worst) = (0usize, (SHARP_DEG, Point::new(0, 0)));
    for ring in openings.rings() {
        for i in 0..ring.len() {
            let Some((turn, deg)) = sharp_corner(ring, i) else {
                continue;
            };
            let (before, after) = neighbours(ring, i);
            let sides = len(sub(v(ring[i]), v(before))).min(len(sub(v(ring[i]), v(after))));
            if turn > 0.0 && (SPIKE_DEG..SHARP_DEG).contains(&deg) && sides > kerf_nm {
                count += 1;
                if deg < worst.0 {
                    worst = (deg, ring[i]);
                }
            }
        }
    }
    if count == 0 {
        return;
    }
    let [x, y] = mm(v(worst.1));
    let (who, are) = if count == 1 {
        ("a corner of an opening".to_owned(), "is")
    } else {
        (format!("{count} corners of openings"), "are")
    };
    findings.push(
        Finding::note(
            "corner-sharp",
            format!(
                "{who} {are} sharper than {SHARP_DEG} deg (the sharpest {:.0} deg): foil tears from there when it is handled",
                worst.0
            ),
        )
        .hint("round them; etchers ask for a radius of one foil thickness inside")
        .at(x, y),
    );
}

/// Which way the outline turns at a vertex (positive: a corner of the opening) and the angle between its edges,
/// degrees; `None` where that is surely above [`SHARP_DEG`], which a product tells for most of them.
fn sharp_corner(ring: &[Point], i: usize) -> Option<(f64, f64)> {
    /// Tangent of [`SHARP_DEG`], and a little.
    const WIDEST: f64 = 1.000_001;
    let b = v(ring[i]);
    let (before, after) = neighbours(ring, i);
    let (d, e) = (sub(v(before), b), sub(v(after), b));
    let (turn, along) = (cross(e, d), dot(d, e));
    (turn.abs() <= WIDEST * along).then(|| {
        let angle = libm::atan2(turn.abs(), along);
        (turn, angle.to_degrees())
    })
}

/// The vertices before and after.
fn neighbours(ring: &[Point], i: usize) -> (Point, Point) {
    let n = ring.len();
    let before = if i == 0 { n - 1 } else { i - 1 };
    let after = if i + 1 == n { 0 } else { i + 1 };
    (ring[before], ring[after])
}

/// How far from vertex `i` the two sides of a corner stay nearer to each other than `web`, along the outline, and
/// how wide it is on the mean up to the last step before.
fn narrow_length(ring: &[Point], i: usize, web: f64) -> (f64, f64) {
    let mut ahead = Walk::new(ring, i, true);
    let mut back = Walk::new(ring, i, false);
    let step = web / 4.0;
    let (mut walked, mut gap, mut area) = (0.0, 0.0, 0.0);
    // Long enough to tell; what is longer is said to be that long.
    while walked < 400.0 * web {
        let d = len(sub(ahead.to(walked + step), back.to(walked + step)));
        if d >= web {
            return (
                walked + step * (web - gap) / (d - gap),
                area / walked.max(step),
            );
        }
        area += step * (d + gap) / 2.0;
        (walked, gap) = (walked + step, d);
    }
    (walked, area / walked)
}

/// A walk along a ring from a vertex.
struct Walk<'a> {
    ring: &'a [Point],
    from: usize,
    forward: bool,
    /// Distance walked to the vertex `from`.
    start: f64,
}

impl<'a> Walk<'a> {
    fn new(ring: &'a [Point], from: usize, forward: bool) -> Walk<'a> {
        Walk {
            ring,
            from,
            forward,
            start: 0.0,
        }
    }
    /// The point at that distance; distances may only grow.
    fn to(&mut self, distance: f64) -> V {
        let n = self.ring.len();
        for _ in 0..n {
            let next = if self.forward {
                (self.from + 1) % n
            } else {
                (self.from + n - 1) % n
            };
            let (a, b) = (v(self.ring[self.from]), v(self.ring[next]));
            let l = len(sub(b, a));
            if distance <= self.start + l {
                let t = if l > 0.0 {
                    (distance - self.start) / l
                } else {
                    0.0
                };
                return [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
            }
            self.start += l;
            self.from = next;
        }
        v(self.ring[self.from])
    }
}

/// Different elements with exactly the same box, both opening: the same shape drawn twice.
pub(super) fn drawn_twice(layer: &Layer) -> Vec<Finding> {
    let boxed = |e: &Element| {
        let b = e.bounds;
        [b.min.x, b.min.y, b.max.x, b.max.y]
    };
    let mut dark: Vec<_> = (layer.elements.iter().filter(|e| e.dark))
        .enumerate()
        .map(|(i, e)| (boxed(e), i, e.id.as_str()))
        .collect();
    dark.sort_unstable_by_key(|d| (d.0, d.1));
    dark.chunk_by(|a, b| a.0 == b.0)
        .filter(|same| same.len() > 1)
        .map(|same| {
            let mut ids: Vec<&str> = Vec::new();
            for (_, _, id) in same {
                if !ids.contains(id) {
                    ids.push(id);
                }
            }
            (same[0].0, ids)
        })
        .filter(|(_, ids)| ids.len() > 1)
        .map(|([x0, y0, x1, y1], ids)| {
            let [x, y] = mm([
                (f64::from(x0) + f64::from(x1)) / 2.0,
                (f64::from(y0) + f64::from(y1)) / 2.0,
            ]);
            Finding::note(
                "drawn-twice",
                format!(
                    "{} elements cover the same box: `{}` and `{}` look like one shape drawn twice; it is cut once",
                    ids.len(),
                    ids[0],
                    ids[1]
                ),
            )
            .hint("delete the copies")
            .element(ids[1])
            .at(x, y)
        })
        .collect()
}
