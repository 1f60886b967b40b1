//! Links that the beam weakens and severs: which of them a cut crosses, and how much of them is left.
//!
//! A link is a bundle of parallel rays; a cut severs the rays it crosses. With one ray, features of at least
//! a cell are isolated exactly. With several, features smaller than a cell weaken the link by their share.

/// Cells up to this share of the distance between cuts have links of one ray.
const ONE_RAY: f64 = 0.8;
const MANY: u32 = 8;

/// Rays of a link for cells of `cell_mm` where cuts side by side are `spacing_mm` apart.
pub(super) fn rays_for(cell_mm: f64, spacing_mm: f64) -> u32 {
    if cell_mm <= ONE_RAY * spacing_mm {
        1
    } else {
        MANY
    }
}

/// The rays of all links of a sheet: along x (axis 0) and along y (axis 1).
#[derive(Debug, Clone)]
pub(super) struct Rays {
    count: u32,
    /// Rays that a cut has thinned, and those it has severed.
    wounds: [Vec<[u8; 2]>; 2],
}

impl Rays {
    /// `count` rays, 1 to 8, for each of `links` links of an axis.
    pub fn new(count: u32, links: usize) -> Rays {
        let whole = || vec![[0; 2]; links];
        Rays {
            count: count.clamp(1, 8),
            wounds: [whole(), whole()],
        }
    }
    pub fn count(&self) -> u32 {
        self.count
    }
    /// Tells the links that a stretch (in cells) crosses: axis, link and the ray.
    pub fn crossed(
        &self,
        ends: [[f64; 2]; 2],
        size: [usize; 2],
        stride: usize,
        mut tell: impl FnMut(usize, usize, u8),
    ) {
        for ray in 0..self.count {
            crossings(ends, size, stride, self.offset(ray), |axis, k| {
                tell(axis, k, 1 << ray);
            });
        }
    }
    /// Weakens the links that a stretch crosses to `thin` of a whole one, or the rays of them, and tells what share of
    /// each is left.
    pub fn cut(
        &mut self,
        ends: [[f64; 2]; 2],
        size: [usize; 2],
        stride: usize,
        thin: f32,
        mut tell: impl FnMut(usize, usize, f32),
    ) {
        for ray in 0..self.count {
            crossings(ends, size, stride, self.offset(ray), |axis, k| {
                tell(axis, k, self.wound(axis, k, 1 << ray, thin));
            });
        }
    }
    /// How far a ray lies from the middle of its link, in cells.
    fn offset(&self, ray: u32) -> f64 {
        (f64::from(ray) + 0.5) / f64::from(self.count) - 0.5
    }
    /// The share of a link that is left when a cut has crossed the rays `hit` of it, which leaves `thin` of each: 0
    /// severs them.
    pub fn wound(&mut self, axis: usize, link: usize, hit: u8, thin: f32) -> f32 {
        let [thinned, severed] = &mut self.wounds[axis][link];
        *thinned |= hit;
        if thin == 0.0 {
            *severed |= hit;
        }
        let rays = self.count as f32;
        let cut = severed.count_ones() as f32;
        let grooved = (*thinned & !*severed).count_ones() as f32;
        ((rays - cut - grooved * (1.0 - thin)) / rays).max(0.0)
    }
    pub fn heal(&mut self) {
        for wounds in &mut self.wounds {
            wounds.fill([0; 2]);
        }
    }
}

/// Tells which links a segment (in cells) crosses: 0 and the cell left of it, or 1 and the cell below it.
/// `offset` shifts the lines on which links lie away from the centres, by less than half a cell.
fn crossings(
    ends: [[f64; 2]; 2],
    size: [usize; 2],
    stride: usize,
    offset: f64,
    mut tell: impl FnMut(usize, usize),
) {
    let [a, b] = ends;
    // Links along x lie on whole y and are crossed where y is whole; and the other way round.
    for along in 0..2 {
        let across = 1 - along;
        let (lo, hi) = (a[across].min(b[across]), a[across].max(b[across]));
        let last = (hi - offset).floor().min(size[across] as f64);
        let mut n = ((lo - offset).floor() + 1.0).max(1.0);
        while n <= last {
            let f = (n + offset - a[across]) / (b[across] - a[across]);
            let m = (a[along] + (b[along] - a[along]) * f).floor();
            if m >= 1.0 && m < size[along] as f64 {
                let (i, j) = if along == 0 { (m, n) } else { (n, m) };
                tell(along, j as usize * stride + i as usize);
            }
            n += 1.0;
        }
    }
}

/// What is left of a link after `pass` of `passes` passes: a groove of the kerf's width in series with whole
/// foil.
pub(super) fn groove(pass: u32, passes: u32, kerf_mm: f64, dx_mm: f64) -> f32 {
    if pass >= passes {
        return 0.0;
    }
    let left = 1.0 - f64::from(pass) / f64::from(passes);
    let w = (kerf_mm / dx_mm).min(1.0);
    (1.0 / ((1.0 - w) + w / left)) as f32
}
