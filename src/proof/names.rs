//! Names of burns, path and pass: those that the file gives, and the others by their shape.

use crate::motion::Burn;
use std::collections::BTreeMap;

/// What a file says of a burn's name.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Said {
    pub path: Option<u32>,
    pub pass: Option<u32>,
}

impl Said {
    pub fn of(path: u32, pass: u32) -> Said {
        Said {
            path: Some(path),
            pass: Some(pass),
        }
    }
}

/// Names all burns. Those with the same box are passes of one path: where the file names one of them, of that path, else
/// of one of its own.
pub(super) fn give(burns: &mut [Burn], said: &[Said]) {
    let mut shapes: BTreeMap<[i64; 4], Vec<usize>> = BTreeMap::new();
    if said.iter().any(|s| s.path.is_none() || s.pass.is_none()) {
        for (i, burn) in burns.iter().enumerate() {
            shapes.entry(box_um(burn)).or_default().push(i);
        }
    }
    for (burn, said) in burns.iter_mut().zip(said) {
        burn.path = said.path.unwrap_or(burn.path);
        burn.pass = said.pass.unwrap_or(burn.pass);
    }
    let last = said.iter().filter_map(|s| s.path).max();
    let mut next = last.map_or(0, |n| n.saturating_add(1));
    let mut alike: Vec<Vec<usize>> = shapes.into_values().collect();
    alike.sort_unstable();
    for alike in alike {
        let mut named = alike.iter().filter_map(|&i| said[i].path);
        let path = named.next().unwrap_or_else(|| {
            next = next.saturating_add(1);
            next - 1
        });
        let mut passes: BTreeMap<u32, u32> = BTreeMap::new();
        for i in alike {
            let burn = &mut burns[i];
            burn.path = said[i].path.unwrap_or(path);
            let pass = passes.entry(burn.path).or_insert(0);
            *pass = said[i].pass.unwrap_or(*pass + 1);
            burn.pass = *pass;
        }
    }
}

fn box_um(burn: &Burn) -> [i64; 4] {
    let inf = f64::INFINITY;
    let whole = burn.points.iter().fold([inf, inf, -inf, -inf], |b, p| {
        [
            b[0].min(p[0]),
            b[1].min(p[1]),
            b[2].max(p[0]),
            b[3].max(p[1]),
        ]
    });
    whole.map(|v| (v * 1e3).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Names of squares of these sizes, cut one after the other, with what the file says of them.
    fn named(cuts: &[(f64, Option<u32>, Option<u32>)]) -> Vec<(u32, u32)> {
        let mut burns: Vec<Burn> = (cuts.iter())
            .map(|&(size, ..)| Burn {
                points: vec![[0.0, 0.0], [size, 0.0], [size, size], [0.0, 0.0]],
                start_s: 0.0,
                speed_mm_s: 1.0,
                power_w: 1.0,
                path: 0,
                pass: 1,
            })
            .collect();
        let said: Vec<Said> = (cuts.iter())
            .map(|&(_, path, pass)| Said { path, pass })
            .collect();
        give(&mut burns, &said);
        burns.iter().map(|b| (b.path, b.pass)).collect()
    }

    #[test]
    fn without_names_the_same_box_is_the_next_pass() {
        let none = |size| (size, None, None);
        let cuts = [none(1.0), none(2.0), none(1.0), none(2.0), none(3.0)];
        assert_eq!(named(&cuts), [(0, 1), (1, 1), (0, 2), (1, 2), (2, 1)]);
    }

    #[test]
    fn a_name_that_is_lost_comes_from_the_other_passes() {
        let said = |size, path, pass| (size, Some(path), Some(pass));
        let cuts = [
            said(1.0, 7, 1),
            said(2.0, 4, 1),
            (1.0, None, None),
            said(2.0, 4, 2),
        ];
        assert_eq!(named(&cuts), [(7, 1), (4, 1), (7, 2), (4, 2)]);
        let cuts = [(1.0, None, Some(1)), said(2.0, 4, 1), said(1.0, 7, 2)];
        assert_eq!(named(&cuts), [(7, 1), (4, 1), (7, 2)]);
        let cuts = [said(2.0, 4, 1), (3.0, None, None), (2.0, Some(4), None)];
        assert_eq!(named(&cuts), [(4, 1), (5, 1), (4, 2)]);
    }
}
