//! Jobs to prove: small layers taken through the pipeline from the openings on.

use foilwright::artwork::Layer;
use foilwright::job::{Label, PlaceError, Plan, place, writer};
use foilwright::order::OrderMode;
use foilwright::proof::{Dialect, ReadJob, Verdict, prove, read};
use foilwright::recipe::Recipe;
use foilwright::regions::{FillRule, Point, Regions, difference, normalise, union};
use foilwright::sheet::Sheet;

pub const SHEET_MM: [f64; 4] = [0.0, 0.0, 10.0, 8.0];

pub fn recipe() -> Recipe {
    Recipe::load("steel-25um").unwrap()
}

fn um(x: f64, y: f64) -> Point {
    Point::new((x * 1e3).round() as i32, (y * 1e3).round() as i32)
}

pub fn rect(x: f64, y: f64, w: f64, h: f64) -> Regions {
    polygon(&[(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
}

pub fn polygon(points: &[(f64, f64)]) -> Regions {
    let ring: Vec<Point> = points.iter().map(|&(x, y)| um(x, y)).collect();
    normalise(&[ring], FillRule::NonZero)
}

pub fn disc(x: f64, y: f64, r: f64) -> Regions {
    let n = 256;
    let points: Vec<(f64, f64)> = (0..n)
        .map(|i| {
            let a = f64::from(i) / f64::from(n) * std::f64::consts::TAU;
            (x + r * a.cos(), y + r * a.sin())
        })
        .collect();
    polygon(&points)
}

/// A layer: as drawn, and as it is to be cut (with tie bars taken off).
#[derive(Clone)]
pub struct Fixture {
    pub drawn: Regions,
    pub openings: Regions,
    pub recipe: Recipe,
    pub sheet_mm: [f64; 4],
}

/// A ring held by two bars with an opening on its island, squares, a disc, and a comb finger.
pub fn demo() -> Fixture {
    let ring = difference(&disc(3000.0, 3000.0, 1500.0), &disc(3000.0, 3000.0, 900.0));
    let mut drawn = union(&ring, &rect(2800.0, 2900.0, 400.0, 200.0));
    for i in 0..4 {
        drawn = union(
            &drawn,
            &rect(6000.0 + 400.0 * f64::from(i), 1500.0, 300.0, 250.0),
        );
    }
    drawn = union(&drawn, &disc(7000.0, 3500.0, 700.0));
    drawn = union(
        &drawn,
        &polygon(&[
            (6000.0, 5000.0),
            (9000.0, 5000.0),
            (9000.0, 5200.0),
            (6300.0, 5200.0),
            (6300.0, 6500.0),
            (6000.0, 6500.0),
        ]),
    );
    let bars = union(
        &rect(1000.0, 2950.0, 1400.0, 100.0),
        &rect(3600.0, 2950.0, 1400.0, 100.0),
    );
    let openings = difference(&drawn, &bars);
    // The opening on the island is crossed by no bar.
    let openings = union(&openings, &rect(2800.0, 2900.0, 400.0, 200.0));
    Fixture {
        drawn,
        openings,
        recipe: recipe(),
        sheet_mm: SHEET_MM,
    }
}

impl Fixture {
    pub fn layer(&self) -> Layer {
        Layer {
            name: "hot".into(),
            openings: self.drawn.clone(),
            elements: Vec::new(),
            tie_lines: Vec::new(),
            keep_clear: Regions::new(),
            common: Regions::new(),
        }
    }
    pub fn plan(&self) -> Plan {
        self.try_plan().unwrap()
    }
    pub fn try_plan(&self) -> Result<Plan, PlaceError> {
        let contours = foilwright::kerf::compensate(&self.openings, &self.recipe).value;
        let mode = OrderMode::Artwork;
        let mut sequence =
            foilwright::order::arrange(&contours, &self.recipe, mode, self.sheet_mm).value;
        if self.recipe.sheet.cut_out {
            let sheet = Sheet {
                box_mm: self.sheet_mm,
                chamfer_mm: self.recipe.sheet.chamfer_mm,
            };
            let outline = foilwright::kerf::cut_out(&sheet, &self.recipe).value;
            foilwright::order::append_last(
                &mut sequence,
                outline,
                &self.recipe,
                mode,
                self.sheet_mm,
            );
        }
        let label = Label {
            artwork: "demo.svg",
            layer: "hot",
            order: OrderMode::Artwork,
            forced: false,
        };
        place(&sequence, self.sheet_mm, &self.recipe, &label)
    }
    pub fn file(&self, format: &str) -> (String, Vec<u8>) {
        let writer = writer(format).unwrap();
        let bytes = writer.write(&self.plan(), &self.recipe).unwrap();
        (format!("demo-hot.{}", writer.extension()), bytes)
    }
    pub fn text(&self) -> String {
        String::from_utf8(self.file("rs274").1).unwrap()
    }
    pub fn read(&self, name: &str, bytes: &[u8]) -> ReadJob {
        read(name, bytes, &Dialect::from_recipe(&self.recipe)).unwrap()
    }
    pub fn prove(&self, name: &str, bytes: &[u8]) -> Verdict {
        prove(
            &self.read(name, bytes),
            &self.layer(),
            self.sheet_mm,
            &self.recipe,
        )
    }
    pub fn prove_text(&self, text: &str) -> Verdict {
        self.prove("job.nc", text.as_bytes())
    }
}
