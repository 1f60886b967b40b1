//! Cut-out sheets: does the outline's cut follow the sheet's edge, do the tabs hold it, does it come last?

use super::bars::{self, Bar};
use super::edges::{self, Limits, RingResult, SEARCH_UM, Stretch};
use super::verdict::Proof;
use crate::artwork::Layer;
use crate::finding::Finding;
use crate::grid::{Grid, Segment};
use crate::polyline::distance;
use crate::recipe::Recipe;

/// The edge of a sheet that is cut out, page micrometres; the foil around it lies on its left.
pub(super) struct Outline {
    ring: Vec<Segment>,
    grid: Grid,
    tabs_per_side: u32,
    tab_um: f64,
}

impl Outline {
    /// `None` unless the recipe asks for a cut-out sheet. `box_um` is the box in which cuts are looked for.
    pub fn new(sheet_um: [f64; 4], recipe: &Recipe, box_um: [f64; 4]) -> Option<Outline> {
        let s = &recipe.sheet;
        if !s.cut_out {
            return None;
        }
        let [x0, y0, x1, y1] = sheet_um;
        let c = s.chamfer_mm * 1e3;
        let mut corners = vec![[x0, y0], [x0, y1], [x1, y1], [x1, y0 + c], [x1 - c, y0]];
        corners.dedup();
        let mut ring: Vec<Segment> = Vec::new();
        let mut at_um = 0.0;
        for i in 0..corners.len() {
            let segment = Segment {
                a: corners[i],
                b: corners[(i + 1) % corners.len()],
                owner: 0,
                index: i as u32,
                at_um,
            };
            if segment.length() > 0.0 {
                at_um += segment.length();
                ring.push(segment);
            }
        }
        let cell = 100f64.max(2.0 * recipe.kerf.width_um);
        Some(Outline {
            grid: Grid::new(ring.clone(), box_um, cell),
            ring,
            tabs_per_side: s.tabs_per_side,
            tab_um: s.tab_um,
        })
    }

    /// Whether a cut runs along the outline, outside it.
    pub fn is_cut_by(&self, cut: &Segment, l: Limits) -> bool {
        [cut.a, cut.b].iter().all(|p| {
            self.grid
                .nearest(*p, 1.5 * l.radius_um + SEARCH_UM)
                .is_some_and(|_| !self.holds(*p))
        })
    }

    /// Whether a place lies on the sheet.
    pub fn holds(&self, p: [f64; 2]) -> bool {
        self.ring.iter().all(|s| {
            let out = s.left();
            out[0] * (p[0] - s.a[0]) + out[1] * (p[1] - s.a[1]) < 0.0
        })
    }

    /// Middles of the tabs that the recipe asks for.
    fn places(&self) -> Vec<[f64; 2]> {
        let upright = |s: &&Segment| s.a[0] == s.b[0] || s.a[1] == s.b[1];
        let n = self.tabs_per_side;
        self.ring
            .iter()
            .filter(upright)
            .flat_map(|s| (0..n).map(move |k| s.at((f64::from(k) + 0.5) / f64::from(n))))
            .collect()
    }

    pub fn check(&self, proof: &mut Proof<'_>, layer: &Layer) {
        let results = edges::measure(
            std::slice::from_ref(&self.ring),
            &self.grid,
            &proof.cut,
            proof.limits,
        );
        let result = &results[0];
        let missed: f64 = result.uncovered.iter().map(Stretch::length_um).sum();
        if missed > 0.99 * result.length_um {
            proof.faults.push(
                Finding::blocking(
                    "sheet-not-cut",
                    "the sheet's outline is not cut, though [sheet] cut_out asks for it",
                ),
                None,
            );
            return;
        }
        proof.as_cut.outline_error_max_um = Some(result.worst);
        self.tabs(proof, layer, result);
        over(proof, layer, result);
        proof.pass_counts(&results, layer);
        self.comes_last(proof);
    }

    fn tabs(&self, proof: &mut Proof<'_>, layer: &Layer, result: &RingResult) {
        let l = proof.limits;
        let most = 1.5 * self.tab_um;
        for s in &result.uncovered {
            let line = proof.line_near(s.at);
            let width_um = if s.length_um() <= most + 2.0 * l.radius_um {
                bars::width(s.middle, out_of(s, l), &proof.cut, l.radius_um, most)
            } else {
                None
            };
            if let Some(width_um) = width_um {
                proof.as_cut.tabs.push(Bar {
                    from_mm: s.middle.map(|v| v / 1e3),
                    to_mm: out_of(s, l).map(|v| v / 1e3),
                    width_um,
                });
                self.narrow(proof, layer, s, width_um, line);
            } else if let Some(near) = self.beside_a_cut(proof, s) {
                let line = proof.line_near(near.at);
                proof.short(layer, &near, line);
            } else {
                proof.fault(
                    layer,
                    s.middle,
                    Finding::blocking(
                        "outline-open",
                        format!(
                            "{:.0} um of the sheet's outline are not cut: more than a tab, the sheet stays attached",
                            s.length_um()
                        ),
                    )
                    .measured(s.length_um(), self.tab_um),
                    line,
                );
            }
        }
        self.count(proof, layer);
    }

    fn narrow(
        &self,
        proof: &mut Proof<'_>,
        layer: &Layer,
        s: &Stretch,
        width_um: f64,
        line: Option<u32>,
    ) {
        if width_um < 0.8 * self.tab_um {
            proof.fault(
                layer,
                s.middle,
                Finding::blocking(
                    "tab-narrow",
                    format!(
                        "a holding tab of the sheet is {width_um:.1} um wide; {} um are asked for",
                        self.tab_um
                    ),
                )
                .measured(width_um, self.tab_um),
                line,
            );
        }
    }

    /// The stretch with the worst place at which a cut runs beside it, where one does along most of it.
    fn beside_a_cut(&self, proof: &Proof<'_>, s: &Stretch) -> Option<Stretch> {
        let mut out = *s;
        out.distance_um = 0.0;
        let n = 16;
        let mut near = 0;
        for k in 0..n {
            let t = (f64::from(k) + 0.5) / f64::from(n);
            let p = self.place(s.from_um + t * s.length_um());
            let reach = proof.limits.radius_um + 0.5 * SEARCH_UM;
            if let Some((_, _, d)) = proof.cut.nearest(p, reach) {
                near += 1;
                if d > out.distance_um {
                    out.at = p;
                    out.distance_um = d;
                }
            }
        }
        (2 * near > n).then_some(out)
    }

    /// The place at a length along the outline.
    fn place(&self, at_um: f64) -> [f64; 2] {
        let total: f64 = self.ring.iter().map(Segment::length).sum();
        let at = at_um.rem_euclid(total);
        let i = self.ring.partition_point(|s| s.at_um <= at).max(1) - 1;
        let s = &self.ring[i];
        s.at((at - s.at_um) / s.length())
    }

    fn count(&self, proof: &mut Proof<'_>, layer: &Layer) {
        let found: Vec<[f64; 2]> = proof
            .as_cut
            .tabs
            .iter()
            .map(|t| t.from_mm.map(|v| v * 1e3))
            .collect();
        let mut places = self.places();
        let (wanted, n) = (places.len(), found.len());
        let message = format!("{n} holding tabs of the sheet where {wanted} are asked for");
        if n > wanted {
            let hint = "each place left uncut beyond them must be broken by hand";
            proof
                .faults
                .push(Finding::blocking("tab-extra", message).hint(hint), None);
        } else if n < wanted {
            // The places furthest from any tab that is there, where a cut runs through.
            let r = proof.limits.radius_um;
            places.retain(|p| proof.cut.any_within(*p, r + 0.25 * self.tab_um));
            let apart = |p: &[f64; 2]| {
                found
                    .iter()
                    .map(|f| distance(*f, *p))
                    .fold(f64::INFINITY, f64::min)
            };
            places.sort_by(|a, b| apart(b).total_cmp(&apart(a)));
            for place in places.into_iter().take(wanted - n) {
                let line = proof.line_near(place);
                proof.fault(
                    layer,
                    place,
                    Finding::blocking("tab-missing", message.clone())
                        .hint("the sheet comes loose too early, or hangs askew"),
                    line,
                );
            }
        }
    }

    /// Everything inside the sheet is cut while the sheet is still held all around.
    fn comes_last(&self, proof: &mut Proof<'_>) {
        let mut is_outline = vec![false; proof.job.motion.burns.len()];
        let mut is_other = is_outline.clone();
        for s in &proof.cut.segments {
            let which = if self.is_cut_by(s, proof.limits) {
                &mut is_outline
            } else {
                &mut is_other
            };
            which[s.owner as usize] = true;
        }
        let Some(first) = is_outline.iter().position(|o| *o) else {
            return;
        };
        if let Some(late) = (first..is_other.len()).find(|&b| is_other[b]) {
            let (burn, line) = (&proof.job.motion.burns[late], proof.job.line(late, 0));
            proof.faults.push(
                Finding::blocking(
                    "sheet-early",
                    format!(
                        "path {} is cut after the sheet's outline was begun: the sheet may have moved by then",
                        burn.path
                    ),
                )
                .hint("cut the outline last"),
                line,
            );
        }
    }
}

/// The middle of a stretch of the outline, moved across the cut.
fn out_of(s: &Stretch, l: Limits) -> [f64; 2] {
    let by = 2.0 * l.radius_um.max(0.5);
    [
        s.middle[0] + s.inward[0] * by,
        s.middle[1] + s.inward[1] * by,
    ]
}

/// Metal of the sheet that its outline's cut takes away.
fn over(proof: &mut Proof<'_>, layer: &Layer, result: &RingResult) {
    let l = proof.limits;
    for s in &result.over {
        let Some((cut, _, distance)) = proof.cut.nearest(s.at, l.radius_um) else {
            continue;
        };
        let error = l.radius_um - distance;
        let line = proof.job.line(cut.owner as usize, cut.index as usize);
        proof.fault(
            layer,
            s.at,
            Finding::blocking(
                "edge-over",
                format!(
                    "the sheet is cut away up to {error:.2} um inside its edge, over a length of {:.1} um",
                    s.length_um()
                ),
            )
            .measured(error, l.limit_um),
            line,
        );
    }
}
