//! The judge: pictures of regions and flood fill, sharing nothing with the library but point lists.

use foilwright::regions::Regions;

/// A square picture of the foil: `true` where there is foil.
pub struct Raster {
    pub width: usize,
    pub height: usize,
    pub foil: Vec<bool>,
}

impl Raster {
    /// Even-odd scan lines through pixel centres. `size_nm` from (0, 0).
    pub fn of(openings: &Regions, size_nm: [f64; 2], pixel_nm: f64) -> Raster {
        let (width, height) = (
            (size_nm[0] / pixel_nm).round() as usize,
            (size_nm[1] / pixel_nm).round() as usize,
        );
        let mut crossings: Vec<Vec<f64>> = vec![Vec::new(); height];
        for ring in openings.rings() {
            for i in 0..ring.len() {
                let (p, q) = (ring[i], ring[(i + 1) % ring.len()]);
                let (x0, y0) = (f64::from(p.x) / pixel_nm, f64::from(p.y) / pixel_nm);
                let (x1, y1) = (f64::from(q.x) / pixel_nm, f64::from(q.y) / pixel_nm);
                let first = ((y0.min(y1) - 0.5).ceil().max(0.0)) as usize;
                for (row, at) in crossings.iter_mut().enumerate().skip(first) {
                    let y = row as f64 + 0.5;
                    if y >= y0.max(y1) {
                        break;
                    }
                    at.push(x0 + (x1 - x0) * (y - y0) / (y1 - y0));
                }
            }
        }
        let mut foil = vec![true; width * height];
        for (row, at) in crossings.iter_mut().enumerate() {
            at.sort_by(f64::total_cmp);
            for pair in at.chunks_exact(2) {
                let from = (pair[0] - 0.5).ceil().max(0.0) as usize;
                let to = ((pair[1] - 0.5).ceil().max(0.0) as usize).min(width);
                for cell in
                    &mut foil[row * width + from.min(width)..row * width + to.max(from.min(width))]
                {
                    *cell = false;
                }
            }
        }
        Raster {
            width,
            height,
            foil,
        }
    }

    /// Takes off everything within `steps` pixels (by rounds of the four neighbours).
    pub fn eroded(&self, steps: usize) -> Raster {
        let mut foil = self.foil.clone();
        for _ in 0..steps {
            let old = foil.clone();
            for y in 0..self.height {
                for x in 0..self.width {
                    let i = y * self.width + x;
                    let gone = |dx: isize, dy: isize| {
                        let (x, y) = (x as isize + dx, y as isize + dy);
                        (0..self.width as isize).contains(&x)
                            && (0..self.height as isize).contains(&y)
                            && !old[y as usize * self.width + x as usize]
                    };
                    if gone(1, 0) || gone(-1, 0) || gone(0, 1) || gone(0, -1) {
                        foil[i] = false;
                    }
                }
            }
        }
        Raster { foil, ..*self }
    }

    /// Sizes in pixels of the pieces of foil (joined over four neighbours) that do not touch the border.
    pub fn loose(&self) -> Vec<usize> {
        let mut seen = vec![false; self.foil.len()];
        let mut sizes = Vec::new();
        for start in 0..self.foil.len() {
            if seen[start] || !self.foil[start] {
                continue;
            }
            let (mut size, mut border) = (0, false);
            let mut stack = vec![start];
            seen[start] = true;
            while let Some(i) = stack.pop() {
                let (x, y) = (i % self.width, i / self.width);
                size += 1;
                border |= x == 0 || y == 0 || x + 1 == self.width || y + 1 == self.height;
                let mut go = |j: usize| {
                    if self.foil[j] && !seen[j] {
                        seen[j] = true;
                        stack.push(j);
                    }
                };
                if x > 0 {
                    go(i - 1);
                }
                if x + 1 < self.width {
                    go(i + 1);
                }
                if y > 0 {
                    go(i - self.width);
                }
                if y + 1 < self.height {
                    go(i + self.width);
                }
            }
            if !border {
                sizes.push(size);
            }
        }
        sizes
    }
}
