//! Scan lines: what the beam sweeps of each, and the metal in between.

use crate::grid::Segment;

/// Lines that are looked at together.
pub(super) const BAND: usize = 32;

#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    pub from: f32,
    pub to: f32,
    /// Length of it that lies in drawn openings.
    pub open: f32,
    /// A place in it is far enough from every cut.
    pub core: bool,
    /// It lies in a drawn opening, and metal beside it goes on: where what is inside is told apart.
    pub inside: bool,
    pub meets: bool,
}

/// Which segments come near which band of lines.
pub(super) fn buckets(
    segments: &[Segment],
    top: f64,
    step: f64,
    bands: usize,
    radius: f64,
) -> Vec<Vec<u32>> {
    let mut out = vec![Vec::new(); bands];
    let height = step * BAND as f64;
    for (i, s) in segments.iter().enumerate() {
        let lo = ((s.a[1].min(s.b[1]) - radius - top) / height)
            .floor()
            .max(0.0);
        let hi = ((s.a[1].max(s.b[1]) + radius - top) / height)
            .floor()
            .min(bands as f64 - 1.0);
        if lo <= hi {
            for band in &mut out[lo as usize..=hi as usize] {
                band.push(i as u32);
            }
        }
    }
    out
}

/// Scan lines one below the other.
pub(super) struct Band {
    pub top: f64,
    pub step: f64,
    pub lines: usize,
}

impl Band {
    fn y(&self, line: usize) -> f64 {
        self.top + (line as f64 + 0.5) * self.step
    }
    /// The lines that a height from `low` to `high` may meet.
    fn between(&self, low: f64, high: f64) -> std::ops::Range<usize> {
        let line = |y: f64| (y - self.top) / self.step - 0.5;
        let last = self.lines as f64 - 1.0;
        let (from, to) = (
            (line(low) - 1e-6).ceil().max(0.0),
            (line(high) + 1e-6).floor().min(last),
        );
        if from > to {
            0..0
        } else {
            from as usize..to as usize + 1
        }
    }
    /// What the beam sweeps of each line, as intervals in no order that may overlap.
    pub fn swept(&self, cuts: &[Segment], near: &[u32], radius: f64) -> Vec<Vec<(f64, f64)>> {
        let mut out: Vec<Vec<(f64, f64)>> = vec![Vec::new(); self.lines];
        for s in near.iter().map(|&i| &cuts[i as usize]) {
            let (low, high) = (s.a[1].min(s.b[1]) - radius, s.a[1].max(s.b[1]) + radius);
            for line in self.between(low, high) {
                let y = self.y(line);
                let Some((a, b)) = level(s, y, radius) else {
                    continue;
                };
                // What is cut one after the other mostly overlaps.
                match out[line].last_mut() {
                    Some(last) if a <= last.1 && b >= last.0 => {
                        *last = (last.0.min(a), last.1.max(b));
                    }
                    _ => out[line].push((a, b)),
                }
            }
        }
        out
    }
    /// Where the drawn edges cross each line.
    pub fn crossings(&self, edges: &[Segment], near: &[u32]) -> Vec<Vec<f64>> {
        let mut out = vec![Vec::new(); self.lines];
        for s in near.iter().map(|&i| &edges[i as usize]) {
            for line in self.between(s.a[1].min(s.b[1]), s.a[1].max(s.b[1])) {
                let y = self.y(line);
                if (s.a[1] > y) != (s.b[1] > y) {
                    out[line].push(s.a[0] + (s.b[0] - s.a[0]) * (y - s.a[1]) / (s.b[1] - s.a[1]));
                }
            }
        }
        out
    }
}

/// The stretch of the level line at `y` that lies within `radius` of a segment: [`Segment::interval`], for level lines.
fn level(s: &Segment, y: f64, radius: f64) -> Option<(f64, f64)> {
    let [dx, dy] = [s.b[0] - s.a[0], s.b[1] - s.a[1]];
    let long2 = dx * dx + dy * dy;
    let up = y - s.a[1];
    // Across the segment the stretch is bounded by lines beside it, along it by those square to its ends.
    let (beside, half) = (s.a[0] + up * dx / dy, radius * long2.sqrt() / dy.abs());
    let reach = (half * dx).abs() / long2;
    if up / dy - reach >= 0.0 && up / dy + reach <= 1.0 {
        return Some((beside - half, beside + half));
    }
    let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
    for c in [s.a, s.b] {
        let left = radius * radius - (y - c[1]) * (y - c[1]);
        if left >= 0.0 {
            let root = left.sqrt();
            (from, to) = (from.min(c[0] - root), to.max(c[0] + root));
        }
    }
    let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
    let across = match dy.abs() > 1e-12 {
        true => Some((beside - half, beside + half)),
        false => (up.abs() <= radius).then_some(everywhere),
    };
    let along = match dx.abs() > 1e-12 {
        true => {
            let end = |length2: f64| s.a[0] + (length2 - up * dy) / dx;
            Some((end(0.0).min(end(long2)), end(0.0).max(end(long2))))
        }
        false => (0.0..=long2).contains(&(up * dy)).then_some(everywhere),
    };
    if let (Some(across), Some(along)) = (across, along) {
        let (low, high) = (across.0.max(along.0), across.1.min(along.1));
        if long2 > 0.0 && low < high {
            (from, to) = (from.min(low), to.max(high));
        }
    }
    (from <= to).then_some((from, to))
}

/// The union of the intervals between `from` and `to` in order: those that are many, in bins of a line, take no sorting.
fn united(mut swept: Vec<(f64, f64)>, [from, to]: [f64; 2], bin_um: f64) -> Vec<(f64, f64)> {
    let bins = ((to - from) / bin_um).ceil().max(1.0);
    if swept.len() as f64 > bins / 2.0 {
        swept = binned(&swept, [from, to], bins as usize);
    } else {
        swept.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    }
    let mut whole: Vec<(f64, f64)> = Vec::new();
    for (a, b) in swept {
        match whole.last_mut() {
            Some(last) if a <= last.1 => last.1 = last.1.max(b),
            _ => whole.push((a, b)),
        }
    }
    whole
}

/// Intervals with the same union, in order of their starts. Of those that end in a bin, or start in one, the longest
/// counts there; what lies within one bin is kept as it is.
fn binned(swept: &[(f64, f64)], [from, to]: [f64; 2], bins: usize) -> Vec<(f64, f64)> {
    #[derive(Clone, Copy)]
    struct Bin {
        /// Intervals that go on into it less those that do not: of all bins up to here, how many cover it.
        over: i32,
        ends: f64,
        starts: f64,
    }
    let empty = Bin {
        over: 0,
        ends: f64::NEG_INFINITY,
        starts: f64::INFINITY,
    };
    let width = (to - from) / bins as f64;
    let mut line = vec![empty; bins + 1];
    let mut short: Vec<(usize, (f64, f64))> = Vec::new();
    for &(a, b) in swept.iter().filter(|(a, b)| *b >= from && *a <= to) {
        let (a, b) = (a.max(from), b.min(to));
        let bin = |x: f64| (((x - from) / width) as usize).min(bins - 1);
        let (first, last) = (bin(a), bin(b));
        if first == last {
            short.push((first, (a, b)));
            continue;
        }
        line[first].starts = line[first].starts.min(a);
        line[last].ends = line[last].ends.max(b);
        line[first + 1].over += 1;
        line[last].over -= 1;
    }
    short.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.0.total_cmp(&b.1.0)));
    let mut short = short.into_iter().peekable();
    let mut out = Vec::new();
    let mut over = 0;
    for (i, bin) in line[..bins].iter().enumerate() {
        over += bin.over;
        let (low, high) = (from + i as f64 * width, from + (i + 1) as f64 * width);
        if over > 0 {
            out.push((low, high));
        } else if bin.ends > low {
            out.push((low, bin.ends));
        }
        // What starts later than an interval that goes on to the next bin adds nothing.
        let starts = if over > 0 { low } else { bin.starts };
        while let Some((_, one)) = short.next_if(|s| s.0 == i) {
            if one.0 < starts {
                out.push(one);
            }
        }
        if over == 0 && bin.starts < high {
            out.push((bin.starts, high));
        }
    }
    out
}

/// The metal of a line between what is swept, and how much of it lies in drawn openings. Answers the crossings too, in
/// order.
pub(super) fn metal(
    swept: Vec<(f64, f64)>,
    mut crossings: Vec<f64>,
    sheet: [f64; 4],
    bin_um: f64,
) -> (Vec<Run>, Vec<f64>) {
    let swept = united(swept, [sheet[0], sheet[2]], bin_um);
    crossings.sort_unstable_by(f64::total_cmp);
    let mut runs = Vec::new();
    let mut at = sheet[0];
    let mut c = 0;
    let mut metal = |from: f64, to: f64| {
        if to - from < 1e-3 {
            return;
        }
        let mut open = 0.0;
        while c + 1 < crossings.len() && crossings[c + 1] <= from {
            c += 2;
        }
        let mut k = c;
        while k + 1 < crossings.len() && crossings[k] < to {
            open += crossings[k + 1].min(to) - crossings[k].max(from);
            k += 2;
        }
        runs.push(Run {
            from: from as f32,
            to: to as f32,
            open: open as f32,
            core: false,
            inside: false,
            meets: false,
        });
    };
    for (a, b) in swept {
        if a >= sheet[2] {
            break;
        }
        if a > at {
            metal(at, a);
        }
        at = at.max(b);
    }
    if at < sheet[2] {
        metal(at, sheet[2]);
    }
    (runs, crossings)
}

/// Marks the runs in which a place lies outside the larger sweep: what that leaves lies in one run each.
pub(super) fn mark_cores(runs: &mut [Run], wider: Vec<(f64, f64)>, sheet: [f64; 4], bin_um: f64) {
    let wider = united(wider, [sheet[0], sheet[2]], bin_um);
    let mut at = sheet[0];
    let mut k = 0;
    for (a, b) in wider.into_iter().chain([(sheet[2], sheet[2])]) {
        if a > at {
            while k < runs.len() && f64::from(runs[k].to) < (at + a) / 2.0 {
                k += 1;
            }
            if let Some(run) = runs.get_mut(k) {
                run.core = true;
            }
        }
        at = at.max(b);
    }
}

/// The runs in parts that lie in drawn openings or beside them.
pub(super) fn apart(runs: &[Run], crossings: &[f64]) -> Vec<Run> {
    let mut out = Vec::with_capacity(runs.len());
    let mut k = 0;
    for run in runs {
        let mut from = run.from;
        loop {
            while k < crossings.len() && crossings[k] as f32 <= from {
                k += 1;
            }
            let to = (crossings.get(k)).map_or(run.to, |&c| run.to.min(c as f32));
            let inside = k % 2 == 1;
            out.push(Run {
                from,
                to,
                open: if inside { to - from } else { 0.0 },
                inside,
                meets: from > run.from || to < run.to,
                ..*run
            });
            if to >= run.to {
                break;
            }
            from = to;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;

    #[test]
    fn a_line_swept_in_bins_is_the_line_swept_in_order() {
        let mut random = Random(4);
        let mut number = |least: f64, most: f64| least + (most - least) * random.unit();
        for round in 0..300 {
            let longest = [0.3, 3.0, 40.0][round % 3];
            let swept: Vec<(f64, f64)> = (0..60)
                .map(|_| {
                    let a = number(-20.0, 120.0);
                    (a, a + number(0.0, longest))
                })
                .collect();
            let sheet = [0.0, 100.0];
            let in_order = united(swept.clone(), sheet, 1e-3);
            let clipped = |all: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
                all.into_iter()
                    .map(|(a, b)| (a.max(0.0), b.min(100.0)))
                    .filter(|(a, b)| a < b)
                    .collect()
            };
            let in_bins = united(swept, sheet, 2.0);
            assert_eq!(clipped(in_order), clipped(in_bins));
        }
    }

    #[test]
    fn the_stretch_of_a_level_line_is_that_of_any_line() {
        let mut random = Random(5);
        let mut number = |most: f64| most * (2.0 * random.unit() - 1.0);
        let mut met = 0;
        for round in 0..4000 {
            let a = [number(30.0), number(30.0)];
            // Also level, upright and without length.
            let b = match round % 8 {
                0 => [number(30.0), a[1]],
                1 => [a[0], number(30.0)],
                2 => a,
                _ => [a[0] + number(8.0), a[1] + number(8.0)],
            };
            let s = Segment {
                a,
                b,
                owner: 0,
                index: 0,
                at_um: 0.0,
            };
            let y = a[1] + number(10.0);
            let ours = level(&s, y, 4.0);
            let general = s.interval([0.0, y], [1.0, 0.0], 4.0);
            assert_eq!(ours.is_some(), general.is_some(), "{s:?} at {y}");
            if let (Some(p), Some(q)) = (ours, general) {
                met += 1;
                assert!((p.0 - q.0).abs() < 1e-9 && (p.1 - q.1).abs() < 1e-9);
            }
        }
        assert!(met > 1000, "{met}");
    }
}
