//! The recipes that ship with the program. All values are common practice (no source):
//! starting points for a coupon, not promises.

use super::{Recipe, Scheme};

/// Name and one line about each built-in recipe.
pub const BUILT_IN: [(&str, &str); 4] = [
    (
        "steel-25um",
        "25.4 um low-carbon steel shim, one pass at 100 mm/s (the default)",
    ),
    (
        "steel-50um",
        "50.8 um low-carbon steel shim, four passes in rounds",
    ),
    (
        "brass-25um",
        "25.4 um CuZn37 brass foil, two passes in rounds; not held by magnets",
    ),
    ("nickel-25um", "25 um nickel foil, two passes in rounds"),
];

/// The built-in recipe of that name.
pub fn built_in(name: &str) -> Option<Recipe> {
    let mut r = Recipe {
        name: name.to_owned(),
        ..Recipe::default()
    };
    let passes = |r: &mut Recipe, count: u32| {
        r.passes.count = count;
        r.passes.scheme = Scheme::Rounds;
        r.kerf.measured_passes = count;
    };
    match name {
        "steel-25um" => {}
        "steel-50um" => {
            r.foil.thickness_um = 50.8;
            r.tie_bars.width_um = 200.0;
            r.kerf.width_um = 12.0;
            r.kerf.uncertainty_um = 2.0;
            passes(&mut r, 4);
        }
        "brass-25um" => {
            r.foil.material = "brass-cuzn37".to_owned();
            r.laser.power_percent = 40.0;
            r.kerf.measured_power_percent = 40.0;
            r.kerf.width_um = 10.0;
            r.kerf.uncertainty_um = 2.0;
            passes(&mut r, 2);
        }
        "nickel-25um" => {
            r.foil.material = "nickel".to_owned();
            r.foil.thickness_um = 25.0;
            r.laser.power_percent = 30.0;
            r.kerf.measured_power_percent = 30.0;
            r.kerf.width_um = 9.0;
            r.kerf.uncertainty_um = 2.0;
            passes(&mut r, 2);
        }
        _ => return None,
    }
    Some(r)
}
