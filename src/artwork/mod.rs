//! Artwork: an SVG drawing becomes layers of dark regions in page millimetres.
//!
//! `source` looks at the file as it is written (size, layers, ids), `usvg` resolves what SVG means
//! (styles, transforms, `use`, clip paths, text), `walk` collects what paints, `composite` lays the paint
//! of each layer over white, and `flatten` and `stroke` turn curves and lines into outlines.
// A refusal carries all its words; it is made once a run, so its size does not matter.
#![allow(clippy::result_large_err)]

mod composite;
mod error;
mod fill;
pub mod flatten;
mod fonts;
mod layers;
mod logs;
mod outline;
mod references;
mod resolved;
mod size;
mod source;
pub mod stroke;
mod walk;

pub use error::{ArtworkError, Refusal};

use crate::finding::Checked;
use crate::regions::{Bounds, Point, Regions};
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};
use std::path::{Path, PathBuf};

/// How to read a drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadOptions {
    /// Width of a drawing that has no physical size, millimetres.
    pub width_mm: Option<f64>,
    /// Everything painted that is not white opens, instead of what is darker than half.
    pub any_paint: bool,
    /// Folders with more fonts, or font files.
    pub fonts: Vec<PathBuf>,
    /// How far a flattened curve may be from the drawn one, micrometres.
    pub tolerance_um: f64,
}

impl Default for ReadOptions {
    fn default() -> Self {
        ReadOptions {
            width_mm: None,
            any_paint: false,
            fonts: Vec::new(),
            tolerance_um: 0.1,
        }
    }
}

/// What was read from a drawing. Page coordinates: origin at the upper left corner, y down.
#[derive(Debug, Clone)]
pub struct Artwork {
    /// File stem, for the names of output files.
    pub stem: String,
    /// Page size, millimetres.
    pub size_mm: [f64; 2],
    pub layers: Vec<Layer>,
    /// Names of the fonts whose outlines were used.
    pub fonts: Vec<String>,
}

/// One deposited layer: one stencil.
#[derive(Debug, Clone)]
pub struct Layer {
    pub name: String,
    /// The openings as drawn: what a renderer paints dark.
    pub openings: Regions,
    /// What painted, so that a place can be traced back to an element.
    pub elements: Vec<Element>,
    /// Tie lines drawn by hand: centre lines of bars, grid points.
    pub tie_lines: Vec<TieLine>,
    /// Regions where no tie bar may go.
    pub keep_clear: Regions,
    /// The openings that came from the layer `common`: registration marks that every stencil carries.
    pub common: Regions,
}

/// A painted element and the box of its paint.
#[derive(Debug, Clone)]
pub struct Element {
    /// The drawing's id, or `row:column` of the element in the file where it has none.
    pub id: String,
    pub bounds: Bounds,
    /// Opens (dark) or closes (light).
    pub dark: bool,
    /// Settings of tie bars for this element, if the drawing gives any.
    pub ties: TieSettings,
}

/// Per-element settings of tie bars (`data-tie-width`, `data-tie-count`, `data-tie-span`).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TieSettings {
    pub width_um: Option<f64>,
    pub count: Option<u32>,
    pub span_mm: Option<f64>,
}

/// A tie bar placed by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct TieLine {
    pub id: String,
    pub from: crate::regions::Point,
    pub to: crate::regions::Point,
    pub width_um: Option<f64>,
}

/// How far from an element's box a place may be and still belong to it.
const SLACK_NM: i32 = 1000;

impl Layer {
    /// The topmost dark element whose box holds the point, as the best guess of what it belongs to.
    pub fn element_at(&self, x_nm: i32, y_nm: i32) -> Option<&Element> {
        self.elements.iter().rev().filter(|e| e.dark).find(|e| {
            let b = e.bounds.grown(SLACK_NM);
            (b.min.x..=b.max.x).contains(&x_nm) && (b.min.y..=b.max.y).contains(&y_nm)
        })
    }
}

/// The elements of a layer by place, for many questions of [`Layer::element_at`].
#[derive(Debug)]
pub struct ElementIndex<'a> {
    layer: &'a Layer,
    dark: RTree<GeomWithData<Rectangle<[i64; 2]>, usize>>,
}

impl<'a> ElementIndex<'a> {
    pub fn new(layer: &'a Layer) -> ElementIndex<'a> {
        let corner = |p: Point| [i64::from(p.x), i64::from(p.y)];
        let dark = layer.elements.iter().enumerate().filter(|(_, e)| e.dark);
        let boxes = dark.map(|(i, e)| {
            let b = e.bounds.grown(SLACK_NM);
            GeomWithData::new(Rectangle::from_corners(corner(b.min), corner(b.max)), i)
        });
        ElementIndex {
            layer,
            dark: RTree::bulk_load(boxes.collect()),
        }
    }

    /// As [`Layer::element_at`].
    pub fn element_at(&self, x_nm: i32, y_nm: i32) -> Option<&'a Element> {
        self.dark
            .locate_all_at_point(&[i64::from(x_nm), i64::from(y_nm)])
            .map(|e| e.data)
            .max()
            .map(|i| &self.layer.elements[i])
    }

    /// The dark element with the smallest box round a piece of foil, the topmost of several: the paint that parts
    /// the piece from the rest is its own.
    pub fn element_around(&self, piece: Bounds) -> Option<&'a Element> {
        let holds = |b: Bounds| {
            b.min.x <= piece.min.x
                && b.min.y <= piece.min.y
                && b.max.x >= piece.max.x
                && b.max.y >= piece.max.y
        };
        let area = |b: Bounds| b.width_nm() * b.height_nm();
        self.dark
            .locate_all_at_point(&[i64::from(piece.min.x), i64::from(piece.min.y)])
            .map(|e| e.data)
            .filter(|&i| holds(self.layer.elements[i].bounds))
            .min_by_key(|&i| (area(self.layer.elements[i].bounds), std::cmp::Reverse(i)))
            .map(|i| &self.layer.elements[i])
    }
}

/// Largest file read, bytes.
const LARGEST_FILE: u64 = 1 << 30;

/// Reads a drawing from a file.
///
/// # Errors
/// A file that cannot be read or is no SVG, a drawing without physical size, and everything in it that has no
/// cut meaning, listed together.
pub fn read(path: &Path, options: &ReadOptions) -> Result<Checked<Artwork>, ArtworkError> {
    let file = path.display().to_string();
    let refuse = |refusal| ArtworkError {
        file: file.clone(),
        refusals: vec![refusal],
    };
    let cannot_open = |e: std::io::Error| {
        refuse(Refusal::new(
            "unreadable",
            format!("cannot be opened: {e}"),
            "",
        ))
    };
    let meta = std::fs::metadata(path).map_err(cannot_open)?;
    if meta.len() > LARGEST_FILE {
        return Err(refuse(Refusal::new(
            "too-large",
            format!(
                "has {} MB, more than the {} MB read here",
                meta.len() >> 20,
                LARGEST_FILE >> 20
            ),
            "split the drawing",
        )));
    }
    let bytes = std::fs::read(path).map_err(cannot_open)?;
    let text = source::decode(&bytes).map_err(refuse)?;
    read_str(&text, &file, options)
}

/// Reads a drawing from text; `file_name` names it in messages and gives the stem.
///
/// # Errors
/// As [`read`].
pub fn read_str(
    text: &str,
    file_name: &str,
    options: &ReadOptions,
) -> Result<Checked<Artwork>, ArtworkError> {
    let stem = Path::new(file_name).file_stem().map_or_else(
        || "drawing".to_owned(),
        |s| s.to_string_lossy().into_owned(),
    );
    let read = || {
        source::check_bounds(text).map_err(|r| vec![r])?;
        walk::read(text, &stem, options)
    };
    // Both parsers recurse: nesting is bounded above, and the stack is large enough for that bound.
    std::thread::scope(|scope| {
        std::thread::Builder::new()
            .stack_size(64 << 20)
            .spawn_scoped(scope, read)
            .map_err(|e| {
                vec![Refusal::new(
                    "no-thread",
                    format!("no thread could be started: {e}"),
                    "",
                )]
            })?
            .join()
            .unwrap_or_else(|_| {
                Err(vec![Refusal::new(
                    "internal",
                    "reading failed on a fault of the reader itself",
                    "please report it with the drawing",
                )])
            })
    })
    .map_err(|refusals| ArtworkError {
        file: file_name.to_owned(),
        refusals,
    })
}
