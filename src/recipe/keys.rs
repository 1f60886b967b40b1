//! Every key of a recipe, once: its type, default, bounds and meaning.
//!
//! The defaults are the built-in recipe `steel-25um`: values of common practice (no source),
//! to be replaced by your own coupon readings.

use super::setting::{choice, section};

choice!(
    /// How the passes over the foil are arranged.
    Scheme {
        /// Pass 1 over everything, then pass 2.
        Rounds = "rounds",
        /// All passes of a path one after another.
        InPlace = "in_place",
    }
);
choice!(
    /// Where job (0, 0) lies on the sheet.
    Origin {
        /// The sheet's centre.
        Centre = "centre",
        /// The sheet's lower left corner.
        Corner = "corner",
    }
);
choice!(
    /// Which side of the foil the laser cuts.
    LaserSide {
        /// The side that will face the deposition source; the job is not mirrored.
        Source = "source",
        /// The side that will lie on the substrate; the job is mirrored.
        Substrate = "substrate",
    }
);
choice!(
    /// What happens to a piece once it is cut free.
    Slugs { Stay = "stay", Fall = "fall" }
);
choice!(
    /// Unit of the dwell word `P`.
    DwellUnit { Seconds = "s", Milliseconds = "ms" }
);
choice!(
    /// How comments are written in RS-274.
    CommentStyle { Parentheses = "parentheses", Semicolon = "semicolon", None = "none" }
);
choice!(
    /// What the foil's outer edges do in the heat model.
    FoilEdges {
        /// Insulated: the sheet ends in air.
        Free = "free",
        /// Held at the temperature of the holder.
        Clamped = "clamped",
    }
);

section!(
    /// The sheet metal the stencil is cut from.
    Foil ["foil"] {
        /// Name of a material of the handbook table (`foilwright recipe materials`).
        material: String = "low-carbon-steel".to_owned(),
        /// Foil thickness.
        thickness_um: f64 = 25.4; 1.0 ..= 1000.0,
    }
);
section!(
    /// The pulsed laser source and its lens.
    Laser ["laser"] {
        /// Wavelength.
        wavelength_nm: f64 = 1064.0; 150.0 ..= 12000.0,
        /// Mean power at 100 %.
        rated_power_w: f64 = 20.0; 0.01 ..= 1000.0,
        /// Mean power used for cutting, in percent of the rated power.
        power_percent: f64 = 25.0; 0.1 ..= 100.0,
        /// Pulse repetition rate.
        pulse_rate_khz: f64 = 20.0; 0.1 ..= 10000.0,
        /// Pulse duration, full width at half maximum.
        pulse_width_ns: f64 = 100.0; 0.001 ..= 1000000.0,
        /// Focal length of the scan lens.
        focal_length_mm: f64 = 163.0; 10.0 ..= 2000.0,
        /// Beam diameter (1/e2) at the lens.
        beam_diameter_mm: f64 = 10.0; 0.1 ..= 100.0,
        /// Beam quality M2.
        beam_quality_m2: f64 = 1.3; 1.0 ..= 50.0,
        /// Distance of the foil from the focus, positive away from the lens.
        focus_offset_mm: f64 = 0.0; -50.0 ..= 50.0,
        /// Fraction of the mean power that stays in the foil as heat. A guess until calibrated: 0.15 to 0.6 is plausible.
        absorbed_fraction: f64 = 0.3; 0.0 ..= 1.0,
        /// Half-width of the uncertainty of absorbed_fraction.
        absorbed_uncertainty: f64 = 0.15; 0.0 ..= 1.0,
    }
);
section!(
    /// The scanner that moves the beam.
    Scan ["scan"] {
        /// Speed of the beam while it cuts.
        cut_speed_mm_s: f64 = 100.0; 0.01 ..= 20000.0,
        /// Speed of the beam while it is off.
        jump_speed_mm_s: f64 = 3000.0; 0.1 ..= 50000.0,
        /// Time the mirrors need to settle after a jump.
        jump_settle_ms: f64 = 0.4; 0.0 ..= 1000.0,
        /// Time between the command and the beam being fully on or off.
        beam_delay_us: f64 = 100.0; 0.0 ..= 100000.0,
        /// Side of the square that the scanner reaches.
        field_mm: f64 = 110.0; 1.0 ..= 2000.0,
        /// Bits of the scanner's position command over the field.
        position_bits: u32 = 16; 8 ..= 32,
        /// True length divided by commanded length along x, measured with a ruler; the job is divided by it.
        scale_x: f64 = 1.0; 0.5 ..= 2.0,
        /// True length divided by commanded length along y.
        scale_y: f64 = 1.0; 0.5 ..= 2.0,
        /// Where job (0, 0) lies on the sheet.
        origin: Origin = Origin::Centre,
    }
);
section!(
    /// The measured width of the cut, and the settings it was measured at.
    Kerf ["kerf"] {
        /// Full width of the cut on its narrow side (normally the exit).
        width_um: f64 = 8.0; 0.0 ..= 1000.0,
        /// Standard uncertainty of width_um.
        uncertainty_um: f64 = 1.0; 0.0 ..= 1000.0,
        /// Entry width minus exit width.
        taper_um: f64 = 2.0; -1000.0 ..= 1000.0,
        /// Power the width was measured at.
        measured_power_percent: f64 = 25.0; 0.1 ..= 100.0,
        /// Pulse rate the width was measured at.
        measured_pulse_rate_khz: f64 = 20.0; 0.1 ..= 10000.0,
        /// Speed the width was measured at.
        measured_speed_mm_s: f64 = 100.0; 0.01 ..= 20000.0,
        /// Passes the width was measured with.
        measured_passes: u32 = 1; 1 ..= 1000,
        /// Scheme the width was measured with.
        measured_scheme: Scheme = Scheme::Rounds,
        /// Focus offset the width was measured at.
        measured_focus_offset_mm: f64 = 0.0; -50.0 ..= 50.0,
    }
);
section!(
    /// What pulse and kerf coupons told about the beam. Left out: not predicted, cut a coupon.
    Beam ["beam"] {
        /// Radius (1/e2) of the spot at the focus, fitted from single craters.
        spot_radius_um: Option<f64> = None; 0.1 ..= 10000.0,
        /// Pulse energy that just marks the surface, at the focus.
        threshold_energy_uj: Option<f64> = None; 0.000001 ..= 1000000.0,
        /// Pulse energy at which a cut just reaches through the foil (exit width zero), at the focus.
        through_energy_uj: Option<f64> = None; 0.000001 ..= 1000000.0,
        /// Largest pulse energy the source gives.
        max_pulse_energy_uj: Option<f64> = None; 0.000001 ..= 1000000.0,
        /// Lowest rate at which the source runs steadily.
        min_pulse_rate_khz: Option<f64> = None; 0.001 ..= 10000.0,
    }
);
section!(
    /// How often each cut is repeated, and in what arrangement.
    Passes ["passes"] {
        /// Number of passes over each cut.
        count: u32 = 1; 1 ..= 1000,
        /// `rounds` spreads the heat: pass 1 everywhere, then pass 2.
        scheme: Scheme = Scheme::Rounds,
        /// Start each pass a fraction of the pulse pitch further on, so that pulses interleave; an open cut's start stays.
        stagger: bool = false,
    }
);
section!(
    /// The bars of foil left to hold islands.
    TieBars ["tie_bars"] {
        /// Width of metal left in a bar. Four foil thicknesses by default; a warning below 50.
        width_um: f64 = 100.0; 1.0 ..= 10000.0,
        /// Fewest bars on an island, where its shape allows.
        min_per_island: u32 = 2; 1 ..= 64,
        /// Most bars on an island.
        max_per_island: u32 = 4; 1 ..= 64,
        /// Longest bar worth making.
        max_span_mm: f64 = 20.0; 0.001 ..= 1000.0,
        /// Distance bars keep from corners and fine features where they can. Left out: one bar width.
        clearance_um: Option<f64> = None; 0.0 ..= 100000.0,
    }
);
section!(
    /// Limits the stencil is held against.
    Rules ["rules"] {
        /// Narrowest web of foil that still holds. Left out: the larger of the foil thickness and two kerfs.
        min_web_um: Option<f64> = None; 0.0 ..= 100000.0,
        /// Narrowest opening. Left out: the larger of the kerf and the foil thickness.
        min_opening_um: Option<f64> = None; 0.0 ..= 100000.0,
        /// Slugs that vanish under erosion by half of this are cleared whole. Left out: three kerfs.
        min_slug_um: Option<f64> = None; 0.0 ..= 100000.0,
        /// Openings narrower than this many foil thicknesses shade the film (IPC-7525 aspect ratio).
        min_aspect_ratio: f64 = 1.5; 0.0 ..= 100.0,
        /// Opening area divided by wall area, at least (IPC-7525 area ratio).
        min_area_ratio: f64 = 0.66; 0.0 ..= 100.0,
        /// Width along the sheet's edge kept free of openings, for magnets and handling.
        edge_margin_mm: f64 = 1.0; 0.0 ..= 100.0,
        /// Longest droop of a tongue under its own weight.
        max_droop_um: f64 = 1.0; 0.0 ..= 10000.0,
        /// A bar that buckles below this temperature rise is reported.
        min_buckling_k: f64 = 20.0; 0.0 ..= 2000.0,
        /// Largest distance of an as-cut edge from the drawn one that the proof accepts.
        max_edge_error_um: f64 = 0.5; 0.01 ..= 1000.0,
        /// Largest distance of the flattened outline from the drawn curve. Left out: 0.1, or a tenth of the kerf's uncertainty if that is larger; at most half of max_edge_error_um.
        tolerance_um: Option<f64> = None; 0.01 ..= 100.0,
        /// Most islands in a layer. Each takes some milliseconds to hold, order and prove; with more, that is all that is told.
        max_islands: u32 = 100000; 1 ..= 1000000,
    }
);
section!(
    /// How the film is deposited and the stencils are aligned: for blur, parted films and seams.
    Film ["film"] {
        /// Width of the deposition source as seen from the substrate.
        source_width_mm: f64 = 50.0; 0.0 ..= 2000.0,
        /// Distance from the source to the stencil.
        source_distance_mm: f64 = 70.0; 1.0 ..= 5000.0,
        /// Gap between the stencil and the substrate.
        gap_um: f64 = 10.0; 0.0 ..= 10000.0,
        /// Error of aligning one stencil on the layer before (root mean square).
        alignment_um: f64 = 8.0; 0.0 ..= 10000.0,
        /// Overlap of the pieces of a complementary pair at each seam. Left out: twice the sum of alignment error and edge blur.
        stitch_overlap_um: Option<f64> = None; 0.0 ..= 100000.0,
    }
);
section!(
    /// The heat model and the limits of cool ordering.
    Heat ["heat"] {
        /// Highest temperature rise, caused by earlier cuts, at which a cut may start. Cool order plans 10 % below it, since its planning sheet is coarser than the foil. Left out: chosen from the job.
        limit_k: Option<f64> = None; 0.1 ..= 5000.0,
        /// Heat loss from foil to slide and air.
        loss_w_m2_k: f64 = 500.0; 1.0 ..= 1000000.0,
        /// Half-width of the uncertainty of loss_w_m2_k.
        loss_uncertainty_w_m2_k: f64 = 300.0; 0.0 ..= 1000000.0,
        /// Cuts nearer than this count as neighbours.
        cool_distance_mm: f64 = 2.0; 0.01 ..= 100.0,
        /// Longest bite: longer cuts are made in parts.
        bite_mm: f64 = 2.0; 0.2 ..= 1000.0,
        /// Thickness of the glass slide under the foil.
        slide_mm: f64 = 1.0; 0.01 ..= 100.0,
        /// Heat loss from the slide to what it lies on.
        slide_loss_w_m2_k: f64 = 100.0; 0.0 ..= 1000000.0,
        /// Side of the patch whose mean rise is held against buckling.
        patch_mm: f64 = 2.0; 0.1 ..= 100.0,
        /// What the foil's outer edges do.
        edges: FoilEdges = FoilEdges::Free,
    }
);
section!(
    /// The dialect of the RS-274 job file.
    Rs274 ["rs274"] {
        /// Value of the power word at 100 %.
        power_full_scale: f64 = 1000.0; 1.0 ..= 1000000.0,
        /// Unit of the dwell word P: the standard says seconds, some controllers take milliseconds.
        dwell_unit: DwellUnit = DwellUnit::Seconds,
        /// How comments are written.
        comment_style: CommentStyle = CommentStyle::Parentheses,
        /// Number the lines with N words.
        line_numbers: bool = false,
        /// Decimals of coordinates in millimetres.
        decimals: u32 = 4; 4 ..= 8,
        /// The word that sets the power.
        power_word: String = "S".to_owned(),
        /// The line that turns the beam on.
        beam_on: String = "M3".to_owned(),
        /// The line that turns the beam off.
        beam_off: String = "M5".to_owned(),
        /// Put a % line first and last.
        percent_lines: bool = false,
        /// Longest line; the standard allows 256 characters.
        max_line: u32 = 256; 40 ..= 256,
        /// Fit arcs (G2, G3) that pass every point of the outline within rules.tolerance_um: smaller files.
        arcs: bool = false,
        /// Lines of your own after the header. They may not turn the beam on.
        header: Vec<String> = Vec::new(),
        /// Lines of your own before the end. They may not turn the beam on.
        footer: Vec<String> = Vec::new(),
    }
);
section!(
    /// The piece of foil a stencil is cut from.
    Sheet ["sheet"] {
        /// `page` (the drawing's page), `artwork` (all layers plus a margin) or a size such as `25x25mm`.
        size: String = "page".to_owned(),
        /// Margin around the artwork when size is `artwork`.
        margin_mm: f64 = 3.0; 0.0 ..= 200.0,
        /// Cut the sheet's outline last, outside, with holding tabs and one chamfered corner.
        cut_out: bool = false,
        /// Holding tabs on each side of a cut-out sheet, at even distances.
        tabs_per_side: u32 = 1; 1 ..= 100,
        /// Width of metal of each holding tab of a cut-out sheet.
        tab_um: f64 = 300.0; 10.0 ..= 10000.0,
        /// Leg of the chamfer at the upper right corner of a cut-out sheet, as drawn; 0 for none.
        chamfer_mm: f64 = 2.0; 0.0 ..= 50.0,
        /// Which side of the foil the laser cuts.
        laser_side: LaserSide = LaserSide::Source,
        /// Whether cut pieces stay (held by magnets) or fall.
        slugs: Slugs = Slugs::Stay,
    }
);
section!(
    /// The HPGL job file.
    Hpgl ["hpgl"] {
        /// Length of one plotter unit. The language says 25 um, as coarse as the foil is thick; a finer unit must be set at the machine too.
        unit_um: f64 = 25.0; 0.01 ..= 1000.0,
    }
);
