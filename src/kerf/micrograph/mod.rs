//! Slot width from a microscope picture: edges to a fraction of a pixel, and the places where metal
//! still bridges the slot.
//!
//! The slot's direction comes from the picture's gradients, a first guess of the edges from the best box on
//! the mean profile across it, and the edges from a blurred-box model fitted first to the whole slot
//! and then to stations along it.

mod direction;
mod edges;

pub use edges::Station;

use serde::Serialize;
use std::io::Cursor;
use thiserror::Error;

/// Largest picture read, pixels.
pub const MAX_PIXELS: u64 = 50_000_000;
/// Smallest side of a picture that can hold a slot and some foil, pixels.
pub const MIN_SIDE: usize = 24;

#[derive(Debug, Error, Clone, PartialEq)]
pub enum PictureError {
    #[error("is no picture that can be read: {0}; save it as PNG")]
    NotAPicture(String),
    #[error(
        "is {width} x {height} pixels: too small to show a slot and its foil ({MIN_SIDE} x {MIN_SIDE} at least)"
    )]
    TooSmall { width: u32, height: u32 },
    #[error("is {width} x {height} pixels: too large ({} million at most); crop it to the slot", MAX_PIXELS / 1_000_000)]
    TooLarge { width: u32, height: u32 },
    #[error("shows no slot: {0}")]
    NoSlot(String),
}

/// A grey picture; values 0 to 1.
#[derive(Debug, Clone)]
pub struct Grey {
    pub width: usize,
    pub height: usize,
    pub values: Vec<f32>,
}

impl Grey {
    /// Decodes a PNG; its size is checked before its pixels are.
    ///
    /// # Errors
    /// Anything but a PNG of a useful size.
    pub fn decode(bytes: &[u8]) -> Result<Grey, PictureError> {
        let broken = |e: image::ImageError| PictureError::NotAPicture(e.to_string());
        let reader = || {
            image::ImageReader::new(Cursor::new(bytes))
                .with_guessed_format()
                .map_err(|e| PictureError::NotAPicture(e.to_string()))
        };
        let (width, height) = reader()?.into_dimensions().map_err(broken)?;
        if u64::from(width) * u64::from(height) > MAX_PIXELS {
            return Err(PictureError::TooLarge { width, height });
        }
        if (width as usize) < MIN_SIDE || (height as usize) < MIN_SIDE {
            return Err(PictureError::TooSmall { width, height });
        }
        let picture = reader()?.decode().map_err(broken)?.into_luma32f_like();
        Ok(Grey {
            width: width as usize,
            height: height as usize,
            values: picture,
        })
    }
    pub fn at(&self, x: usize, y: usize) -> f64 {
        f64::from(self.values[y * self.width + x])
    }
}

trait LumaValues {
    fn into_luma32f_like(self) -> Vec<f32>;
}
impl LumaValues for image::DynamicImage {
    fn into_luma32f_like(self) -> Vec<f32> {
        self.into_luma16()
            .into_raw()
            .into_iter()
            .map(|v| f32::from(v) / 65_535.0)
            .collect()
    }
}

/// Where metal still bridges the slot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bridge {
    /// Its middle, pixels from the upper left corner.
    pub x_px: f64,
    pub y_px: f64,
    /// Its length along the slot.
    pub length_px: f64,
}

/// What a picture tells, in pixels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slot {
    pub width_min_px: f64,
    pub width_median_px: f64,
    pub width_max_px: f64,
    /// Standard deviation of each edge from a straight line, noise of the picture included.
    pub roughness_px: [f64; 2],
    /// Blur of the edges (standard deviation).
    pub blur_px: f64,
    /// Slot brightness minus foil brightness, 0 to 1; negative for a dark slot.
    pub contrast: f64,
    /// Direction of the slot against the x axis of the picture, degrees.
    pub direction_deg: f64,
    pub bridges: Vec<Bridge>,
    pub stations: Vec<Station>,
    pub warnings: Vec<String>,
}

/// Where a picture was taken: seen from the laser's side, not mirrored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    pub um_per_px: f64,
    /// Job position of the picture's middle.
    pub centre_mm: [f64; 2],
    /// How far the job's x axis is turned in the picture, counter-clockwise.
    pub turned_deg: f64,
}

impl Placement {
    /// The job position (millimetres, y up) of a pixel (from the upper left corner, y down) of `picture`.
    pub fn to_job(&self, picture: &Grey, [x, y]: [f64; 2]) -> [f64; 2] {
        let mm = self.um_per_px * 1e-3;
        let dx = (x + 0.5 - picture.width as f64 / 2.0) * mm;
        let dy = (picture.height as f64 / 2.0 - y - 0.5) * mm;
        let (sin, cos) = libm::sincos(self.turned_deg.to_radians());
        [
            self.centre_mm[0] + cos * dx + sin * dy,
            self.centre_mm[1] - sin * dx + cos * dy,
        ]
    }
}

/// Measures the slot in a picture.
///
/// # Errors
/// Words for what keeps the picture from showing one slot.
pub fn measure(picture: &Grey) -> Result<Slot, PictureError> {
    if picture.width < MIN_SIDE || picture.height < MIN_SIDE {
        return Err(PictureError::TooSmall {
            width: picture.width as u32,
            height: picture.height as u32,
        });
    }
    let line = direction::find(picture)?;
    edges::measure(picture, &line)
}
