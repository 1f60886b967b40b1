//! Shares of large regions, for booleans of something small with what is near it.

use super::{Bounds, Point, Regions};

/// What lies in the box (Sutherland & Hodgman, CACM 17:32, 1974). Rings may run to and fro along its sides: this is
/// for booleans only, which take it for the same area.
pub fn clipped(regions: &Regions, window: Bounds) -> Regions {
    let mut out = Regions::new();
    let (mut ring, mut next) = (Vec::new(), Vec::new());
    for shape in regions.shapes() {
        if !shape.bounds().overlaps(&window) {
            continue;
        }
        for (hole, points) in shape.rings().enumerate() {
            ring.clear();
            ring.extend_from_slice(points);
            clip_ring(&mut ring, &mut next, window);
            if ring.len() >= 3 {
                out.push_ring(&ring);
            } else if hole == 0 {
                break;
            }
        }
        out.close_shape();
    }
    out
}

fn clip_ring(ring: &mut Vec<Point>, next: &mut Vec<Point>, window: Bounds) {
    let sides = [
        (true, window.min.x, 1),
        (true, window.max.x, -1),
        (false, window.min.y, 1),
        (false, window.max.y, -1),
    ];
    for (upright, at, sign) in sides {
        let beyond = |p: Point| {
            let along = if upright { p.x } else { p.y };
            (i64::from(along) - i64::from(at)) * sign < 0
        };
        if !ring.iter().any(|&p| beyond(p)) {
            continue;
        }
        next.clear();
        for i in 0..ring.len() {
            let (a, b) = (ring[i], ring[if i + 1 == ring.len() { 0 } else { i + 1 }]);
            if !beyond(a) {
                next.push(a);
            }
            if beyond(a) != beyond(b) {
                next.push(crossing(a, b, upright, at));
            }
        }
        std::mem::swap(ring, next);
    }
}

/// Where the edge, from its lower end whichever way it runs, crosses the line.
fn crossing(a: Point, b: Point, upright: bool, at: i32) -> Point {
    let (a, b) = if (a.x, a.y) <= (b.x, b.y) {
        (a, b)
    } else {
        (b, a)
    };
    let part = |from: i32, to: i32, least: i32, most: i32| {
        let t = (f64::from(at) - f64::from(least)) / (f64::from(most) - f64::from(least));
        (f64::from(from) + t * (f64::from(to) - f64::from(from))).round() as i32
    };
    if upright {
        Point::new(at, part(a.y, b.y, a.x, b.x))
    } else {
        Point::new(part(a.x, b.x, a.y, b.y), at)
    }
}

/// What `of` makes of every window's number and the shares of `wholes` in it, which are clipped by halves.
pub fn by_windows<const N: usize, T: Send>(
    windows: &[Bounds],
    wholes: [&Regions; N],
    of: impl Fn(usize, [&Regions; N]) -> T + Sync,
) -> Vec<T> {
    let mut out = halves(windows, (0..windows.len()).collect(), wholes, &of);
    out.sort_by_key(|found| found.0);
    out.into_iter().map(|found| found.1).collect()
}

fn halves<const N: usize, T: Send>(
    windows: &[Bounds],
    mut some: Vec<usize>,
    near: [&Regions; N],
    of: &(impl Fn(usize, [&Regions; N]) -> T + Sync),
) -> Vec<(usize, T)> {
    let joined = some.iter().map(|&i| windows[i]).reduce(|a, b| a.join(&b));
    let Some(joined) = joined else {
        return Vec::new();
    };
    let share = near.map(|r| clipped(r, joined));
    let near = share.each_ref();
    if let [one] = some[..] {
        return vec![(one, of(one, near))];
    }
    let axis = usize::from(joined.width_nm() < joined.height_nm());
    let middle = |i: usize| windows[i].middle()[axis];
    some.sort_by(|&i, &k| middle(i).total_cmp(&middle(k)));
    let second = some.split_off(some.len() / 2);
    let (mut out, more) = rayon::join(
        || halves(windows, some, near, of),
        || halves(windows, second, near, of),
    );
    out.extend(more);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::regions::{FillRule, intersection, normalise};

    #[test]
    fn shares_have_the_area_of_the_whole_in_their_windows() {
        let ring = |turn: i64, radius: f64| -> Vec<Point> {
            let at = |i: i64| {
                let r = radius * if i % 2 == 0 { 1.0 } else { 0.6 };
                let a = (i * turn) as f64 * std::f64::consts::TAU / 50.0;
                Point::new((r * libm::cos(a)) as i32, (r * libm::sin(a)) as i32)
            };
            (0..50).map(at).collect()
        };
        let whole = normalise(&[ring(1, 1e6), ring(-1, 4e5)], FillRule::NonZero);
        assert_eq!(whole.ring_count(), 2);
        let windows: Vec<Bounds> = (0..100)
            .map(|i| {
                let min = Point::new(-1_000_000 + i % 10 * 200_000, -1_000_000 + i / 10 * 200_000);
                Bounds {
                    min,
                    max: Point::new(min.x + 300_000, min.y + 250_000),
                }
            })
            .collect();
        let areas = by_windows(&windows, [&whole], |i, [share]| {
            let window = windows[i].to_regions();
            assert!(share.vertex_count() < 60);
            [share, &whole].map(|r| intersection(&window, r).area_nm2())
        });
        assert_eq!(areas.len(), 100);
        for [share, direct] in areas {
            assert!((share - direct).abs() < 2e6, "{share} {direct}");
        }
    }
}
