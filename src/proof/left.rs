//! Metal left at drawn edges: rounded corners, bars, and edges that are not cut.

use super::bars::{self, Bar};
use super::edges::{self, RingResult, SEARCH_UM, Stretch};
use super::foil::LoosePiece;
use super::verdict::{Proof, nm};
use super::webs;
use crate::artwork::Layer;
use crate::finding::Finding;
use rstar::RTree;
use rstar::primitives::GeomWithData;
use std::collections::BTreeMap;

fn attached(length_um: f64) -> Finding {
    Finding::blocking(
        "cut-open",
        format!("{length_um:.1} um of this edge are not cut: the piece inside stays attached"),
    )
    .measured(length_um, 0.0)
}

/// Sine of the angle that the middle line of a bar, told from the metal at its ends, may be off its sides.
const RUNS_ON: f64 = 0.1;

/// The bars that account for metal left at drawn edges.
struct Left {
    bars: Vec<Bar>,
    /// Of each stretch, whether a bar accounts for it.
    used: Vec<bool>,
    /// Parts of stretches that run on beside the bar that accounts for the rest: the stretch, and lengths along its
    /// ring.
    beside: Vec<(usize, (f64, f64))>,
}

impl Proof<'_> {
    /// Metal left at the drawn edge: rounded corners, bars, or faults.
    pub(super) fn uncovered(&mut self, results: &[RingResult], layer: &Layer) {
        let l = self.limits;
        // Where a corner is left round, edges that are off by less than the limit make more of it.
        let corner = |s: &Stretch| {
            !s.slit
                && s.narrow.is_some()
                && s.length_um() <= 4.0 * l.radius_um
                && s.distance_um <= l.radius_um + 2.0 * l.limit_um
        };
        // What is within the limit of a cut that ran elsewhere, as in a fold of the drawn edge, is met.
        let all: Vec<Stretch> = results
            .iter()
            .flat_map(|r| r.uncovered.iter().copied())
            .filter(|s| s.slit || s.reachable && s.distance_um > l.radius_um + l.limit_um)
            .filter(|s| !corner(s))
            .collect();
        // Leads narrower than the beam hang on by edges that no beam meets.
        self.hangs = !all.is_empty() || self.job.number("tie_bars").is_some_and(|bars| bars > 0.0);
        self.as_cut.rounded_corners = results
            .iter()
            .flat_map(|r| &r.uncovered)
            .filter(|s| !s.slit && (!s.reachable || corner(s)))
            .count();
        let min_web = self.recipe.min_web_um();
        let widths = webs::Widths {
            radius_um: l.radius_um,
            min_web_um: min_web,
            max_bar_um: self.max_bar_um,
        };
        let missed = |r: &RingResult| {
            let length: f64 = r.uncovered.iter().map(Stretch::length_um).sum();
            !r.uncovered.is_empty() && length >= 0.99 * r.length_um
        };
        // Foil in openings that bars run over.
        let buried: Vec<bool> = results
            .iter()
            .enumerate()
            .map(|(i, r)| {
                let hole = i > 0 && self.shape_of[i - 1] == self.shape_of[i];
                hole && missed(r) && webs::is_buried(&self.rings[i], &self.cut, widths)
            })
            .collect();
        let Left {
            bars,
            mut used,
            beside,
        } = self.bars_among(
            &all,
            &buried,
            widths,
            self.bars_over_leads(results, &buried, widths),
        );
        for bar in &bars {
            if bar.width_um < min_web - l.limit_um {
                let at = bar.from_mm.map(|v| v * 1e3);
                let line = self.line_near(at);
                self.fault(
                    layer,
                    at,
                    Finding::blocking(
                        "bar-narrow",
                        format!(
                            "a tie bar is {:.2} um wide; it takes {min_web:.2} um to hold",
                            bar.width_um
                        ),
                    )
                    .measured(bar.width_um, min_web),
                    line,
                );
            }
        }
        if let Some(stated) = self.job.number("tie_bars")
            && stated > bars.len() as f64
        {
            self.faults.push(
                Finding::blocking(
                    "bar-missing",
                    format!("the job states {stated} tie bars; {} are left", bars.len()),
                )
                .hint("a bar was cut away: what it held may hang on too few"),
                None,
            );
        }
        // Over a line, or an opening so narrow that no slug comes free, a bar and a cut that is missing look alike.
        if let Some(stated) = self.job.number("tie_bars")
            && self.distinct(&bars) > stated
            && let Some(bar) = self.least_like(&bars, self.recipe.min_slug_um())
        {
            let at = bar.middle_mm().map(|v| v * 1e3);
            let line = self.line_near(at);
            let finding = Finding::blocking(
                "not-opened",
                format!(
                    "metal is left across openings in {} places, and the job states {stated} tie bars: a cut is missing, perhaps here",
                    bars.len()
                ),
            );
            self.fault(layer, at, finding, line);
        }
        self.as_cut.narrowest_bar_um = bars.iter().map(|b| b.width_um).min_by(f64::total_cmp);
        self.as_cut.bars = bars;
        let mut unopened = vec![false; layer.openings.len()];
        // A ring met nowhere although no round beam fits: a line or a sliver that was not cut.
        for (i, r) in results.iter().enumerate() {
            if !missed(r) {
                continue;
            }
            let shape = self.shape_of[i];
            for (u, s) in used.iter_mut().zip(&all) {
                *u |= s.ring as usize == i;
            }
            if buried[i] {
                continue;
            }
            if std::mem::replace(&mut unopened[shape], true) {
                continue;
            }
            self.missed.insert(shape);
            let s = r.uncovered[0];
            if r.uncovered.iter().any(|s| s.reachable) {
                let near = s.distance_um <= l.radius_um + 3.0 * self.recipe.kerf.width_um.max(1.0);
                let line = self.line_near(s.at);
                if near {
                    self.short(layer, &s, line);
                } else {
                    let line = self.gone(&s).or(line);
                    self.fault(
                        layer,
                        s.at,
                        Finding::blocking(
                            "not-opened",
                            "this opening is not cut: no cut runs along its edge",
                        ),
                        line,
                    );
                }
            } else if self.wide_sliver(&s) {
                self.fault(
                    layer,
                    s.at,
                    Finding::blocking("not-opened", "this line is drawn and not cut"),
                    self.gone(&s),
                );
            } else {
                self.fault(
                    layer,
                    s.at,
                    Finding::note(
                        "sliver-left",
                        "a sliver far narrower than the kerf is left out",
                    ),
                    None,
                );
            }
        }
        self.as_cut.openings_drawn = layer.openings.len();
        self.as_cut.openings_cut = unopened.iter().filter(|u| !**u).count();
        for (k, (from, to)) in beside {
            let ring = &self.rings[all[k].ring as usize];
            let part = Stretch {
                from_um: from,
                to_um: to,
                ..all[k]
            };
            // Another bar may run on along a web there.
            if webs::widened(&part, ring, &self.drawn, &self.cut, widths).is_some() {
                continue;
            }
            let at = edges::place(ring, (from + to) / 2.0).0;
            let line = self
                .line_gone(part.ring as usize, from, to)
                .or_else(|| self.line_near(at));
            self.missed.insert(self.shape_of[all[k].ring as usize]);
            self.fault(layer, at, attached(to - from), line);
        }
        let span = (self.max_bar_um, self.max_span_um());
        let around = (&self.rings[..], &self.drawn, &buried[..]);
        for (at, through) in bars::severed(&all, around, &self.cut, span, &mut used) {
            let line = (self.job).line(through.owner as usize, through.index as usize);
            let finding = Finding::blocking(
                "bar-cut",
                "a tie bar is cut through: what it is to hold falls out or hangs loose",
            );
            self.fault(layer, at, finding, line);
        }
        for (s, used) in all.iter().zip(&used) {
            if *used {
                continue;
            }
            let line = self.gone(s).or_else(|| self.line_near(s.at));
            self.missed.insert(self.shape_of[s.ring as usize]);
            if s.slit && !s.reachable {
                self.fault(
                    layer,
                    s.at,
                    Finding::blocking(
                        "not-opened",
                        "a part of this opening, narrower than the kerf, is drawn and not cut",
                    )
                    .measured(s.length_um(), 0.0),
                    line,
                );
            } else if s.distance_um <= 2.0 * l.radius_um + 5.0 || self.cut_in_front(s) {
                if !self.runs_on(s) {
                    self.short(layer, s, line);
                }
            } else {
                self.fault(layer, s.at, attached(s.length_um()), line);
            }
        }
    }

    fn gone(&self, s: &Stretch) -> Option<u32> {
        self.line_gone(s.ring as usize, s.from_um, s.to_um)
    }

    /// Whether a cut runs past the stretch, though too far from it.
    fn cut_in_front(&self, s: &Stretch) -> bool {
        let ring = &self.rings[s.ring as usize];
        let far = self.limits.radius_um + SEARCH_UM;
        [0.25, 0.5, 0.75].into_iter().all(|t| {
            let (p, inward) = edges::place(ring, s.from_um + t * s.length_um());
            webs::first_crossing(p, inward, far, &self.cut, |_| true).is_some()
        })
    }

    /// Whether the metal left at a short stretch belongs to a bar that is wider than the foil it holds there: the cut
    /// beside the stretch runs straight on from the bar's side.
    fn runs_on(&self, s: &Stretch) -> bool {
        let l = self.limits;
        let ring = &self.rings[s.ring as usize];
        let at = edges::place(ring, (s.from_um + s.to_um) / 2.0).0;
        let Some((side, _, _)) = self.cut.nearest(at, l.radius_um + SEARCH_UM) else {
            return false;
        };
        let along = side.length();
        if along < l.radius_um {
            return false;
        }
        let way = [0, 1].map(|d| (side.b[d] - side.a[d]) / along);
        self.as_cut.bars.iter().any(|bar| {
            let width_um = bar.width_um;
            let middle = bar.middle_mm().map(|v| v * 1e3);
            let [from, to] = [bar.from_mm, bar.to_mm].map(|p| p.map(|v| v * 1e3));
            let length_um = bar.length_um().max(1e-9);
            let cross = |p: [f64; 2]| (way[0] * p[1] - way[1] * p[0]).abs();
            let off_um = cross([middle[0] - side.a[0], middle[1] - side.a[1]]);
            let turned = cross([to[0] - from[0], to[1] - from[1]]) / length_um;
            s.length_um() <= width_um
                && s.distance_um - l.radius_um <= width_um / 2.0
                && turned <= RUNS_ON
                && (off_um - width_um / 2.0 - l.radius_um).abs()
                    <= l.limit_um + RUNS_ON * length_um / 2.0
                && crate::polyline::distance(middle, at) <= length_um / 2.0 + 2.0 * width_um
        })
    }

    pub(super) fn short(&mut self, layer: &Layer, s: &Stretch, line: Option<u32>) {
        let error = s.distance_um - self.limits.radius_um;
        self.as_cut.edge_error_max_um = self.as_cut.edge_error_max_um.max(error);
        self.fault(
            layer,
            s.at,
            Finding::blocking(
                "edge-short",
                format!(
                    "metal is left up to {error:.2} um inside the drawn edge, over a length of {:.1} um",
                    s.length_um()
                ),
            )
            .measured(error, self.limits.limit_um),
            line,
        );
    }

    /// Whether an opening is at least a fifth of the kerf wide at one of some places along `s`.
    fn wide_sliver(&self, s: &Stretch) -> bool {
        let ring = &self.rings[s.ring as usize];
        (0..32).any(|k| {
            let at = s.from_um + s.length_um() * (f64::from(k) + 0.5) / 32.0;
            let (p, inward) = edges::place(ring, at);
            edges::room(p, inward, self.limits.radius_um * 0.2, &self.drawn)
        })
    }

    /// Bars over leads narrower than the beam: the edges they leave are no faults of their own, since no beam would meet
    /// them. Metal too narrow to hold is none.
    fn bars_over_leads(
        &self,
        results: &[RingResult],
        buried: &[bool],
        widths: webs::Widths,
    ) -> Vec<Bar> {
        let unmet: Vec<Stretch> = (results.iter().flat_map(|r| r.uncovered.iter().copied()))
            .filter(|s| !s.reachable && !s.slit && s.length_um() > 2.0 * widths.radius_um)
            .collect();
        let found = bars::find(
            &unmet,
            (&self.rings, &self.drawn, buried),
            &self.cut,
            widths.radius_um,
            self.max_bar_um,
            self.max_span_um(),
            &mut vec![false; unmet.len()],
        );
        let holds = |bar: &Bar| bar.width_um >= widths.min_web_um - self.limits.limit_um;
        found.into_iter().map(|f| f.0).filter(holds).collect()
    }

    /// The bars behind stretches that are not cut, with those `bars` found already; `buried` are the rings round foil
    /// that bars run over.
    fn bars_among(
        &self,
        all: &[Stretch],
        buried: &[bool],
        widths: webs::Widths,
        mut bars: Vec<Bar>,
    ) -> Left {
        let ring = |k: usize| &self.rings[all[k].ring as usize];
        let mut used = vec![false; all.len()];
        for (k, used) in used.iter_mut().enumerate() {
            let bar = webs::widened(&all[k], ring(k), &self.drawn, &self.cut, widths);
            *used = bar.is_some();
            bars.extend(bar);
        }
        let found = bars::find(
            all,
            (&self.rings, &self.drawn, buried),
            &self.cut,
            widths.radius_um,
            self.max_bar_um,
            self.max_span_um(),
            &mut used,
        );
        // A bar accounts for no more of an edge than it is wide.
        let mut ends: BTreeMap<usize, Vec<&Bar>> = BTreeMap::new();
        for (bar, at) in &found {
            bars.push(*bar);
            for k in at {
                ends.entry(*k).or_default().push(bar);
            }
        }
        let half_um = self.max_bar_um / 2.0 + 2.0 * widths.radius_um;
        let least_um = 2.0 * widths.radius_um.max(1.0);
        let beside = ends
            .into_iter()
            .flat_map(|(k, bars)| {
                let rest = bars::beside(&all[k], ring(k), &bars, half_um, least_um);
                rest.into_iter().map(move |part| (k, part))
            })
            .collect();
        let mut throats: Vec<(usize, Bar)> = (0..all.len())
            .filter(|&k| !used[k])
            .filter_map(|k| {
                let bar = webs::across_throat(&all[k], ring(k), &self.drawn, &self.cut, widths)?;
                Some((k, bar))
            })
            .collect();
        // An uncut tip looks like a bar over one: there are no more than the job states, the likest of them.
        if let Some(stated) = self.job.number("tie_bars") {
            throats.sort_by(|a, b| {
                let unlike = [a, b].map(|t| t.1.unlike_um(self.recipe.tie_bars.width_um));
                unlike[0].total_cmp(&unlike[1]).then(a.0.cmp(&b.0))
            });
            let mut left = stated - self.distinct(&bars);
            let mut placed = bars::Placed::new(&bars, self.max_bar_um);
            throats.retain(|(_, bar)| {
                // Another stretch beside the same bar.
                let known = placed.knows(bar);
                if !known && left >= 1.0 {
                    left -= 1.0;
                    placed.add(bar);
                    bars.push(*bar);
                    return true;
                }
                known
            });
            throats.sort_by_key(|t| t.0);
        } else {
            bars.extend(throats.iter().map(|t| t.1));
        }
        for (k, _) in throats {
            used[k] = true;
        }
        Left { bars, used, beside }
    }

    fn distinct(&self, bars: &[Bar]) -> f64 {
        bars::distinct(bars, self.recipe.tie_bars.width_um, self.max_bar_um) as f64
    }

    /// The bar with a span of at most that whose width is least what the recipe asks for.
    fn least_like(&self, bars: &[Bar], most_span_um: f64) -> Option<Bar> {
        let asked_um = self.recipe.tie_bars.width_um;
        let short = bars.iter().filter(|b| b.length_um() <= most_span_um);
        short
            .max_by(|a, b| a.unlike_um(asked_um).total_cmp(&b.unlike_um(asked_um)))
            .copied()
    }

    /// Connected metal in openings that hangs on the foil: no more than the bars among it, where nothing else is told
    /// of the opening.
    pub(super) fn attached(&mut self, pieces: &[LoosePiece], layer: &Layer) {
        let r = self.limits.radius_um;
        let bars: Vec<GeomWithData<[f64; 2], f64>> = (self.as_cut.bars.iter())
            .map(|b| GeomWithData::new(b.middle_mm(), self.max_bar_um * (b.length_um() + 2.0 * r)))
            .collect();
        let bars = RTree::bulk_load(bars);
        for p in pieces {
            let own = p.around(self.max_bar_um);
            let of_bars: f64 = bars.locate_in_envelope(&own).map(|b| b.data).sum();
            if p.area_um2 <= of_bars + self.max_bar_um * self.max_bar_um {
                continue;
            }
            let at = p.at_mm.map(|v| v * 1e3);
            let place = nm(at);
            let opening = layer.openings.shapes().position(|s| s.contains(place));
            if opening.is_some_and(|opening| !self.missed.insert(opening)) {
                continue;
            }
            let finding = Finding::blocking(
                "cut-open",
                format!(
                    "metal of {:.0} x {:.0} um, more than the tie bars there, stays attached in this opening: the cut round it is not closed",
                    p.width_um, p.height_um
                ),
            );
            self.fault(layer, at, finding, None);
        }
    }

    fn max_span_um(&self) -> f64 {
        self.recipe.tie_bars.max_span_mm.max(1.0) * 1e3
    }
}
