//! Which bars an island gets of those that it can have.

use super::candidates::Candidate;
use crate::stencil::geometry::{V, apart_nm, len, middle, sub};
use crate::stencil::symmetry::{self, Mirror};
use std::f64::consts::PI;

/// Candidates of each eighth of the way round that pairs are made of.
const PER_EIGHTH: usize = 16;
/// Angle without a bar from which on an island can swing out.
const OPEN_SIDE: f64 = PI * 4.0 / 3.0;
/// What a set of bars costs more, in bars, for each mirror line of the island that it breaks.
const UNEVEN: f64 = 2.0;

/// Smallest angle between two directions, 0 to pi.
fn apart(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(2.0 * PI);
    d.min(2.0 * PI - d)
}

/// Bars with the least cost that are spread round the centre of mass, with those that are `held` already; `room`
/// keeps them from merging.
pub(super) fn choose(
    all: &[Candidate],
    held: &[Candidate],
    least: usize,
    most: usize,
    room: f64,
    mirrors: &[Mirror],
) -> Vec<Candidate> {
    let uneven = |bars: &[(V, V)]| UNEVEN * symmetry::broken(mirrors, bars, room / 8.0) as f64;
    // The cheapest of each eighth of the way round, so that a long narrow gap on one side does not hide the others;
    // of nearly the same bars one.
    let mut taken: [Vec<V>; 8] = Default::default();
    let few: Vec<Candidate> = all
        .iter()
        .filter(|c| {
            let eighth = ((c.angle / (PI / 4.0)).round() as i64).rem_euclid(8) as usize;
            let (own, at) = (&mut taken[eighth], middle(c.from, c.to));
            let new = own.len() < PER_EIGHTH && own.iter().all(|&p| len(sub(p, at)) >= room / 16.0);
            if new {
                own.push(at);
            }
            new
        })
        .copied()
        .collect();
    let unit = few[0].cost.max(1.0);
    // Metal, gap, metal: bars leave an opening between them that can be cut.
    let clear = |a: &Candidate, b: &Candidate| apart_nm((a.from, a.to), (b.from, b.to)) >= room;
    if least == 1 {
        return vec![few[0]];
    }
    let mut best: Option<(f64, Candidate, Candidate)> = None;
    for i in 0..few.len() {
        // One of its own beside one that is held, or two of its own.
        let others = if held.is_empty() { &few[i + 1..] } else { held };
        let a = &few[i];
        for b in others {
            if !clear(a, b) {
                continue;
            }
            let spread = 1.0 - apart(a.angle, b.angle) / PI;
            // Level bars first where nothing else decides, so that equal drawings get equal bars.
            let tilt = libm::sin(a.angle).abs() + libm::sin(b.angle).abs();
            let mut cost = (a.cost + b.cost) / unit + 6.0 * spread * spread + 0.02 * tilt;
            // A pair that leaves one side open takes a third bar.
            if 2.0 * PI - apart(a.angle, b.angle) > OPEN_SIDE {
                cost += 1.0;
            }
            if best.is_none_or(|(c, _, _)| {
                cost < c - 1e-9 && cost + uneven(&[(a.from, a.to), (b.from, b.to)]) < c - 1e-9
            }) {
                let cost = cost + uneven(&[(a.from, a.to), (b.from, b.to)]);
                best = Some((cost, *a, *b));
            }
        }
    }
    let Some((_, a, b)) = best else {
        return vec![few[0]];
    };
    let mut chosen = held.to_vec();
    chosen.push(a);
    if held.is_empty() {
        chosen.push(b);
    }
    while chosen.len() < most {
        let wide = widest_gap(&chosen);
        // Held on all sides once no half-turn is without a bar (a pair needs two thirds of one).
        if chosen.len() >= least && wide <= OPEN_SIDE {
            break;
        }
        let limit = if chosen.len() < least {
            f64::INFINITY
        } else {
            4.0 * unit
        };
        let next = all
            .iter()
            .filter(|c| c.cost <= limit && chosen.iter().all(|k| clear(k, c)))
            .map(|c| {
                let nearest = chosen
                    .iter()
                    .map(|k| apart(k.angle, c.angle))
                    .fold(PI, f64::min);
                let mut bars: Vec<(V, V)> = chosen.iter().map(|k| (k.from, k.to)).collect();
                bars.push((c.from, c.to));
                (c.cost / unit - 4.0 * nearest + uneven(&bars), c)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, next)) = next else { break };
        let before = chosen.len();
        chosen.push(*next);
        // Its mirror image with it, where it is not its own.
        for m in mirrors {
            let image = m.of(middle(next.from, next.to));
            let partner = all.iter().find(|c| {
                len(sub(middle(c.from, c.to), image)) <= room / 8.0
                    && chosen.iter().all(|k| clear(k, c))
            });
            if let Some(partner) = partner.filter(|_| chosen.len() < most) {
                chosen.push(*partner);
            }
        }
        if before >= least && widest_gap(&chosen) > wide - 0.2 {
            chosen.truncate(before);
            break;
        }
    }
    chosen.split_off(held.len())
}

/// The largest angle without a bar.
fn widest_gap(chosen: &[Candidate]) -> f64 {
    let mut angles: Vec<f64> = chosen.iter().map(|c| c.angle).collect();
    angles.sort_by(f64::total_cmp);
    let n = angles.len();
    (0..n)
        .map(|i| {
            if i + 1 < n {
                angles[i + 1] - angles[i]
            } else {
                angles[0] + 2.0 * PI - angles[i]
            }
        })
        .fold(0.0, f64::max)
}
