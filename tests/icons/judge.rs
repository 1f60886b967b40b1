//! Two judges that share nothing with the program: a picture of the drawing by `resvg`, and the foil that
//! the written beam moves leave, line by line.

use crate::support::as_cut::Move;
use resvg::tiny_skia::{Color, Pixmap, Transform};
use resvg::usvg::{Options, Tree};

/// The frame of a drawing (x, y, width, height in its own units) and what is painted outside it.
pub fn with_overhang(svg: &str, [x, y, w, h]: [f64; 4]) -> Option<[f64; 4]> {
    let tree = Tree::from_str(svg, &Options::default()).ok()?;
    let k = w / f64::from(tree.size().width());
    let b = tree.root().abs_layer_bounding_box();
    let (left, top) = (x + k * f64::from(b.left()), y + k * f64::from(b.top()));
    let (right, bottom) = (x + k * f64::from(b.right()), y + k * f64::from(b.bottom()));
    let (x1, y1) = (right.max(x + w), bottom.max(y + h));
    let (x0, y0) = (left.min(x), top.min(y));
    Some([x0, y0, x1 - x0, y1 - y0])
}

/// A picture of a square page: darkness from 0 (foil) to 255 (opening).
pub struct Picture {
    pub size: usize,
    pub pixel_mm: f64,
    dark: Vec<u8>,
}

impl Picture {
    /// A drawing as large as the page, on white paper.
    pub fn of(svg: &str, page_mm: f64, pixel_mm: f64) -> Option<Picture> {
        let tree = Tree::from_str(svg, &Options::default()).ok()?;
        let size = (page_mm / pixel_mm).round() as usize;
        let k = (size as f64 / f64::from(tree.size().width())) as f32;
        let mut map = Pixmap::new(size as u32, size as u32)?;
        map.fill(Color::WHITE);
        resvg::render(&tree, Transform::from_scale(k, k), &mut map.as_mut());
        // sRGB-encoded values, Rec. 709 weights.
        let dark = map
            .pixels()
            .iter()
            .map(|p| {
                let y = 0.2126 * f64::from(p.red())
                    + 0.7152 * f64::from(p.green())
                    + 0.0722 * f64::from(p.blue());
                255 - y.round() as u8
            })
            .collect();
        Some(Picture {
            size,
            pixel_mm,
            dark,
        })
    }
    /// Area painted dark, with what edge pixels are covered, square millimetres.
    pub fn area_mm2(&self) -> f64 {
        let sum: u64 = self.dark.iter().map(|d| u64::from(*d)).sum();
        sum as f64 / 255.0 * self.pixel_mm * self.pixel_mm
    }
    pub fn is_dark(&self, p: [f64; 2]) -> bool {
        let cell = |v: f64| ((v / self.pixel_mm) as usize).min(self.size - 1);
        self.dark[cell(p[1]) * self.size + cell(p[0])] >= 128
    }
    /// Pieces of foil that do not touch the border, once all within each of `half_webs_mm` of an opening is taken
    /// off. A piece of which one pixel more would leave nothing does not count: the tip of a point of foil comes off
    /// in such crumbs.
    pub fn islands(&self, half_webs_mm: &[f64]) -> Vec<usize> {
        let radii: Vec<f64> = half_webs_mm.iter().map(|w| w / self.pixel_mm).collect();
        let far = radii.iter().copied().fold(0.0, f64::max).ceil() as usize + 2;
        let depth2 = self.depths2(far);
        radii
            .iter()
            .map(|&r| {
                let left = |d: u16| f64::from(d) > r * r;
                let thick = |d: u16| r == 0.0 || f64::from(d) > (r + 1.0).powi(2);
                pieces_inside(&depth2, self.size, left, thick)
            })
            .collect()
    }
    /// For each pixel the square of the distance from its centre to that of the next dark one, in pixels and at most
    /// `far` squared: Felzenszwalb and Huttenlocher's two passes, the second one cut short.
    fn depths2(&self, far: usize) -> Vec<u16> {
        let n = self.size;
        // Distance along the column, capped.
        let mut column = vec![far as u16; n * n];
        let mut above = vec![far as u16; n];
        let mut sweep = |y: usize| {
            let row = y * n..(y + 1) * n;
            let pixels = self.dark[row.clone()].iter().zip(&mut column[row]);
            for (above, (dark, column)) in above.iter_mut().zip(pixels) {
                *above = if *dark < 128 {
                    (*above + 1).min(far as u16)
                } else {
                    0
                };
                *column = (*column).min(*above);
            }
        };
        (0..n).for_each(&mut sweep);
        // The way up begins with the counts of the way down, which are never too small.
        (0..n).rev().for_each(&mut sweep);
        let cap = (far * far) as u16;
        let mut out = vec![cap; n * n];
        for (row, depths) in column.chunks(n).zip(out.chunks_mut(n)) {
            for (x, &d) in row
                .iter()
                .enumerate()
                .filter(|(_, d)| usize::from(**d) < far)
            {
                let (lo, hi) = (x.saturating_sub(far), (x + far).min(n - 1));
                for (k, depth) in depths[lo..=hi].iter_mut().enumerate() {
                    let dx = (lo + k).abs_diff(x);
                    *depth = (*depth).min(d * d + (dx * dx) as u16);
                }
            }
        }
        out
    }
}

/// Pieces of `foil` (joined over four neighbours) that do not touch the border and hold a pixel that is `thick`.
fn pieces_inside(
    depths2: &[u16],
    n: usize,
    foil: impl Fn(u16) -> bool,
    thick: impl Fn(u16) -> bool,
) -> usize {
    let mut seen = vec![false; n * n];
    let mut stack = Vec::new();
    let mut count = 0;
    for start in 0..n * n {
        if seen[start] || !foil(depths2[start]) {
            continue;
        }
        let (mut border, mut solid) = (false, false);
        seen[start] = true;
        stack.push(start);
        while let Some(i) = stack.pop() {
            let (x, y) = (i % n, i / n);
            solid |= thick(depths2[i]);
            border |= x == 0 || y == 0 || x + 1 == n || y + 1 == n;
            let mut go = |j: usize| {
                if !seen[j] && foil(depths2[j]) {
                    seen[j] = true;
                    stack.push(j);
                }
            };
            if x > 0 {
                go(i - 1);
            }
            if x + 1 < n {
                go(i + 1);
            }
            if y > 0 {
                go(i - n);
            }
            if y + 1 < n {
                go(i + n);
            }
        }
        count += usize::from(!border && solid);
    }
    count
}

/// Metal that hangs together after the cut.
#[derive(Debug, Clone, Copy)]
pub struct Piece {
    pub area_mm2: f64,
    /// Share of it that the drawing leaves light.
    pub wanted: f64,
    pub edge: bool,
    pub min: [f64; 2],
    pub max: [f64; 2],
}

#[derive(Clone, Copy)]
struct Run {
    line: u32,
    from: f64,
    to: f64,
    label: u32,
}

/// What a disc of radius `reach_mm` along the moves leaves of a square sheet: runs of metal on lines `step_mm`
/// apart, joined where they overlap from line to line. Along a line the runs are exact.
pub fn pieces(
    moves: &[Move],
    sheet_mm: f64,
    reach_mm: f64,
    step_mm: f64,
    drawing: &Picture,
) -> Vec<Piece> {
    let lines = (sheet_mm / step_mm).ceil() as usize;
    let y_of = |line: usize| (line as f64 + 0.5) * step_mm;
    let mut swept: Vec<Vec<(f64, f64)>> = vec![Vec::new(); lines];
    for m in moves {
        let lo = (m.from[1].min(m.to[1]) - reach_mm) / step_mm - 0.5;
        let hi = (m.from[1].max(m.to[1]) + reach_mm) / step_mm - 0.5;
        let first = lo.ceil().max(0.0) as usize;
        for (line, cuts) in swept.iter_mut().enumerate().skip(first) {
            if line as f64 > hi {
                break;
            }
            cuts.extend(capsule_on_line(m.from, m.to, reach_mm, y_of(line)));
        }
    }
    let mut parent: Vec<u32> = Vec::new();
    fn root(parent: &mut [u32], mut i: u32) -> u32 {
        while parent[i as usize] != i {
            parent[i as usize] = parent[parent[i as usize] as usize];
            i = parent[i as usize];
        }
        i
    }
    let mut runs: Vec<Run> = Vec::new();
    let mut before = 0..0;
    for (line, cuts) in swept.iter_mut().enumerate() {
        cuts.sort_by(|a, b| a.0.total_cmp(&b.0));
        let first = runs.len();
        let mut at = 0.0;
        for &(a, b) in cuts.iter().chain([&(sheet_mm, sheet_mm)]) {
            if a > at + 1e-9 {
                let label = parent.len() as u32;
                parent.push(label);
                runs.push(Run {
                    line: line as u32,
                    from: at,
                    to: a.min(sheet_mm),
                    label,
                });
            }
            at = f64::max(at, b);
        }
        let (mut i, mut j) = (before.start, first);
        while i < before.end && j < runs.len() {
            if runs[i].from < runs[j].to && runs[j].from < runs[i].to {
                let (a, b) = (
                    root(&mut parent, runs[i].label),
                    root(&mut parent, runs[j].label),
                );
                parent[a.max(b) as usize] = a.min(b);
            }
            if runs[i].to < runs[j].to {
                i += 1;
            } else {
                j += 1;
            }
        }
        before = first..runs.len();
    }
    let mut whole: std::collections::BTreeMap<u32, (Piece, f64)> =
        std::collections::BTreeMap::new();
    for r in &runs {
        let label = root(&mut parent, r.label);
        let y = y_of(r.line as usize);
        let area = (r.to - r.from) * step_mm;
        let (piece, light) = whole.entry(label).or_insert((
            Piece {
                area_mm2: 0.0,
                wanted: 0.0,
                edge: false,
                min: [f64::INFINITY; 2],
                max: [f64::NEG_INFINITY; 2],
            },
            0.0,
        ));
        piece.area_mm2 += area;
        piece.edge |=
            r.from <= 0.0 || r.to >= sheet_mm || r.line == 0 || r.line as usize + 1 == lines;
        piece.min = [piece.min[0].min(r.from), piece.min[1].min(y)];
        piece.max = [piece.max[0].max(r.to), piece.max[1].max(y)];
        let inside = [0.1, 0.3, 0.5, 0.7, 0.9]
            .iter()
            .filter(|t| !drawing.is_dark([r.from + **t * (r.to - r.from), y]))
            .count();
        *light += area * inside as f64 / 5.0;
    }
    whole
        .into_values()
        .map(|(piece, light)| Piece {
            wanted: light / piece.area_mm2,
            ..piece
        })
        .collect()
}

/// Where the line at height `y` runs within `r` of the segment.
fn capsule_on_line(a: [f64; 2], b: [f64; 2], r: f64, y: f64) -> Option<(f64, f64)> {
    let mut out: Option<(f64, f64)> = None;
    let mut add = |lo: f64, hi: f64| {
        out = Some(out.map_or((lo, hi), |(x, z): (f64, f64)| (x.min(lo), z.max(hi))));
    };
    for c in [a, b] {
        let h = r * r - (y - c[1]).powi(2);
        if h >= 0.0 {
            add(c[0] - h.sqrt(), c[0] + h.sqrt());
        }
    }
    let d = [b[0] - a[0], b[1] - a[1]];
    let l = d[0].hypot(d[1]);
    if l > 0.0 {
        let n = [-d[1] / l * r, d[0] / l * r];
        let corner = |p: [f64; 2], s: f64| [p[0] + s * n[0], p[1] + s * n[1]];
        let quad = [
            corner(a, 1.0),
            corner(b, 1.0),
            corner(b, -1.0),
            corner(a, -1.0),
        ];
        for i in 0..4 {
            let (p, q) = (quad[i], quad[(i + 1) % 4]);
            if (p[1] > y) != (q[1] > y) {
                let x = p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]);
                add(x, x);
            }
        }
    }
    out
}
