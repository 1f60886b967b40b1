//! Motion: what the beam does over time, in job coordinates. The common language of a plan just made
//! and of a job file read back: heat, pictures and timing need nothing else.

/// The beam's whole way. Millimetres, seconds; y up; origin as the recipe says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Motion {
    /// The sheet of foil: x min, y min, x max, y max.
    pub sheet_mm: [f64; 4],
    /// Every stretch with the beam on, in order of time; the beam is off in between.
    pub burns: Vec<Burn>,
    /// Time at which the job ends.
    pub end_s: f64,
    /// Pauses with the beam off: start and length.
    pub dwells: Vec<(f64, f64)>,
}

impl Motion {
    pub fn sheet_area_mm2(&self) -> f64 {
        let s = self.sheet_mm;
        ((s[2] - s[0]) * (s[3] - s[1])).abs()
    }
}

/// One stretch with the beam on at constant speed and power.
#[derive(Debug, Clone, PartialEq)]
pub struct Burn {
    pub points: Vec<[f64; 2]>,
    pub start_s: f64,
    pub speed_mm_s: f64,
    /// Mean power on the foil, watts.
    pub power_w: f64,
    /// Number of the path it belongs to, and the pass (from 1).
    pub path: u32,
    pub pass: u32,
}

impl Burn {
    pub fn length_mm(&self) -> f64 {
        crate::polyline::length(&self.points)
    }
    pub fn end_s(&self) -> f64 {
        self.start_s + self.length_mm() / self.speed_mm_s
    }
}
