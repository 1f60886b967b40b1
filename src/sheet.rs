//! The sheet of foil: its size and place on the page, and what must hold for it.

use crate::artwork::Artwork;
use crate::finding::{Checked, Finding};
use crate::recipe::{Recipe, SheetSize};
use crate::regions::{Bounds, Point, Regions};
use crate::units::{NM_PER_MM, trim_number};

/// The foil, the same for every layer, so that they register. Page millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    /// x min, y min, x max, y max.
    pub box_mm: [f64; 4],
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
        if w > field * recipe.scan.scale_x || h > field * recipe.scan.scale_y {
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
        Checked::new(Sheet { box_mm }, findings)
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

    pub fn regions(&self) -> Regions {
        self.bounds().to_regions()
    }

    /// Openings that reach past the sheet's edge, each a finding that blocks.
    pub fn check_openings(&self, layer: &crate::artwork::Layer) -> Vec<Finding> {
        let sheet = self.bounds();
        layer
            .openings
            .shapes()
            .filter_map(|shape| {
                let b = shape.bounds();
                let out = b.min.x <= sheet.min.x
                    || b.min.y <= sheet.min.y
                    || b.max.x >= sheet.max.x
                    || b.max.y >= sheet.max.y;
                out.then(|| {
                    let p = shape
                        .outer()
                        .iter()
                        .find(|p| {
                            p.x <= sheet.min.x || p.y <= sheet.min.y || p.x >= sheet.max.x || p.y >= sheet.max.y
                        })
                        .copied()
                        .unwrap_or(b.min);
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
