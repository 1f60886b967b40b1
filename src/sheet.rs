//! The sheet of foil: its size and place on the page, and what must hold for it.

use crate::artwork::Artwork;
use crate::finding::{Checked, Finding};
use crate::recipe::{LaserSide, Origin, Recipe, SheetSize};
use crate::regions::{Bounds, FillRule, Point, Regions, normalise};
use crate::units::{NM_PER_MM, trim_number};

/// The foil, the same for every layer, so that they register. Page millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    /// x min, y min, x max, y max.
    pub box_mm: [f64; 4],
    /// Leg of the chamfer at the upper right corner; zero unless the sheet is cut out.
    pub chamfer_mm: f64,
}

/// How page coordinates become job coordinates.
#[derive(Debug, Clone, Copy)]
pub struct Frame {
    zero: [f64; 2],
    flip_x: f64,
}

impl Frame {
    /// `sheet_mm` in page coordinates.
    pub fn new(sheet_mm: [f64; 4], recipe: &Recipe) -> Frame {
        let mirrored = recipe.sheet.laser_side == LaserSide::Substrate;
        Frame {
            zero: match recipe.scan.origin {
                Origin::Centre => [
                    (sheet_mm[0] + sheet_mm[2]) / 2.0,
                    (sheet_mm[1] + sheet_mm[3]) / 2.0,
                ],
                Origin::Corner if mirrored => [sheet_mm[2], sheet_mm[3]],
                Origin::Corner => [sheet_mm[0], sheet_mm[3]],
            },
            flip_x: if mirrored { -1.0 } else { 1.0 },
        }
    }
    /// Page millimetres (y down) to job millimetres (y up).
    pub fn to_job(&self, p: [f64; 2]) -> [f64; 2] {
        [self.flip_x * (p[0] - self.zero[0]), self.zero[1] - p[1]]
    }
    /// Job millimetres back to page millimetres.
    pub fn to_page(&self, p: [f64; 2]) -> [f64; 2] {
        [self.flip_x * p[0] + self.zero[0], self.zero[1] - p[1]]
    }
    /// A box (x min, y min, x max, y max).
    pub fn box_to_job(&self, box_mm: [f64; 4]) -> [f64; 4] {
        let a = self.to_job([box_mm[0], box_mm[1]]);
        let b = self.to_job([box_mm[2], box_mm[3]]);
        [
            a[0].min(b[0]),
            a[1].min(b[1]),
            a[0].max(b[0]),
            a[1].max(b[1]),
        ]
    }
}

impl Sheet {
    /// The sheet that the recipe asks for, checked against the scanner's field.
    pub fn of(artwork: &Artwork, recipe: &Recipe) -> Checked<Sheet> {
        let page = [0.0, 0.0, artwork.size_mm[0], artwork.size_mm[1]];
        let drawn = artwork
            .layers
            .iter()
            .filter_map(|l| l.openings.bounds())
            .reduce(|a, b| a.join(&b))
            .map_or(page, |b| {
                [b.min.x, b.min.y, b.max.x, b.max.y].map(|v| f64::from(v) / NM_PER_MM)
            });
        let box_mm = match SheetSize::parse(&recipe.sheet.size).unwrap_or(SheetSize::Page) {
            SheetSize::Page => page,
            SheetSize::Artwork => {
                let m = recipe.sheet.margin_mm;
                [drawn[0] - m, drawn[1] - m, drawn[2] + m, drawn[3] + m]
            }
            SheetSize::Fixed {
                width_mm,
                height_mm,
            } => {
                let (cx, cy) = ((drawn[0] + drawn[2]) / 2.0, (drawn[1] + drawn[3]) / 2.0);
                [
                    cx - width_mm / 2.0,
                    cy - height_mm / 2.0,
                    cx + width_mm / 2.0,
                    cy + height_mm / 2.0,
                ]
            }
        };
        let mut findings = Vec::new();
        let (w, h, field) = (
            box_mm[2] - box_mm[0],
            box_mm[3] - box_mm[1],
            recipe.scan.field_mm,
        );
        // The outline of a cut-out sheet runs half a kerf outside it.
        let around = if recipe.sheet.cut_out {
            recipe.kerf.width_um * 1e-3
        } else {
            0.0
        };
        if w + around > field * recipe.scan.scale_x || h + around > field * recipe.scan.scale_y {
            findings.push(
                Finding::blocking(
                    "sheet-exceeds-field",
                    format!(
                        "the sheet of {} x {} mm is larger than the scanner's field of {} mm",
                        trim_number(w, 3),
                        trim_number(h, 3),
                        trim_number(field, 3)
                    ),
                )
                .hint("use --sheet artwork for a foil around what is drawn, or --sheet 25x25mm"),
            );
        }
        let chamfer_mm = if recipe.sheet.cut_out {
            recipe.sheet.chamfer_mm
        } else {
            0.0
        };
        Checked::new(Sheet { box_mm, chamfer_mm }, findings)
    }

    pub fn size_mm(&self) -> [f64; 2] {
        [
            self.box_mm[2] - self.box_mm[0],
            self.box_mm[3] - self.box_mm[1],
        ]
    }

    fn bounds(&self) -> Bounds {
        let p = |x: f64, y: f64| {
            Point::new(
                (x * NM_PER_MM).round() as i32,
                (y * NM_PER_MM).round() as i32,
            )
        };
        Bounds {
            min: p(self.box_mm[0], self.box_mm[1]),
            max: p(self.box_mm[2], self.box_mm[3]),
        }
    }

    /// The corners, clockwise as seen from the upper left one on; page millimetres.
    pub fn outline_mm(&self) -> Vec<[f64; 2]> {
        let [x0, y0, x1, y1] = self.box_mm;
        let c = self.chamfer_mm;
        if c > 0.0 {
            vec![[x0, y0], [x1 - c, y0], [x1, y0 + c], [x1, y1], [x0, y1]]
        } else {
            vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
        }
    }

    pub fn regions(&self) -> Regions {
        let ring: Vec<Point> = self
            .outline_mm()
            .iter()
            .map(|p| {
                Point::new(
                    (p[0] * NM_PER_MM).round() as i32,
                    (p[1] * NM_PER_MM).round() as i32,
                )
            })
            .collect();
        normalise(&[ring], FillRule::NonZero)
    }

    /// Whether a point lies on the edge of the sheet or beyond it.
    fn is_out(&self, sheet: &Bounds, p: Point) -> bool {
        p.x <= sheet.min.x
            || p.y <= sheet.min.y
            || p.x >= sheet.max.x
            || p.y >= sheet.max.y
            || (self.chamfer_mm > 0.0
                && f64::from(sheet.max.x - p.x) + f64::from(p.y - sheet.min.y)
                    <= self.chamfer_mm * NM_PER_MM)
    }

    /// Openings that reach past the sheet's edge, each a finding that blocks.
    pub fn check_openings(&self, layer: &crate::artwork::Layer) -> Vec<Finding> {
        let sheet = self.bounds();
        layer
            .openings
            .shapes()
            .filter_map(|shape| {
                let b = shape.bounds();
                // The box first: its upper right corner is the one a chamfer could cut off.
                let inside = [b.min, b.max, Point::new(b.max.x, b.min.y)]
                    .iter()
                    .all(|p| !self.is_out(&sheet, *p));
                let out = shape.outer().iter().find(|p| self.is_out(&sheet, **p));
                out.filter(|_| !inside).map(|&p| {
                    let mut f = Finding::blocking(
                        "opening-across-sheet-edge",
                        "an opening reaches the sheet's edge or beyond it: the foil would be cut open there",
                    )
                    .at(f64::from(p.x) / NM_PER_MM, f64::from(p.y) / NM_PER_MM)
                    .layer(&layer.name)
                    .hint("move it inside the page, enlarge the page, or use --sheet artwork");
                    if let Some(e) = layer.element_at(p.x, p.y) {
                        f = f.element(&e.id);
                    }
                    f
                })
            })
            .collect()
    }
}
