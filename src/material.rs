//! Handbook constants of foil materials, each with its source.
//!
//! Sources: low-carbon steel (1008) from supplier data sheets (37.7 Btu/h ft F = 65.2 W/mK; density, heat
//! capacity, expansion), yield strength from cold-drawn bar data (hard shim is stronger). Copper, nickel
//! and molybdenum k, rho, c and melting point: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer,
//! Table A.1. CuZn37: manufacturer data sheet, temper R410 (melting point from memory). Polyimide:
//! manufacturer data of the HN film. 304, aluminium 1100 and the mechanical values of copper, nickel
//! and molybdenum: from memory.

/// Constants of one material, at room temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    /// Word in the recipe.
    pub name: &'static str,
    /// Where the numbers come from, briefly.
    pub source: &'static str,
    pub conductivity_w_m_k: f64,
    pub density_kg_m3: f64,
    pub heat_capacity_j_kg_k: f64,
    pub melting_k: Option<f64>,
    /// Linear thermal expansion, 1e-6 per kelvin.
    pub expansion_ppm_k: f64,
    pub youngs_modulus_gpa: f64,
    pub yield_mpa: f64,
    /// Held by magnets.
    pub magnetic: bool,
}

impl Material {
    /// Thermal diffusivity k / (rho c), m2/s.
    pub fn diffusivity_m2_s(&self) -> f64 {
        self.conductivity_w_m_k / (self.density_kg_m3 * self.heat_capacity_j_kg_k)
    }
    /// Temperature rise at which a fully restrained sheet first yields: sigma_y / (E CTE), kelvin.
    pub fn first_yield_k(&self) -> f64 {
        self.yield_mpa * 1e6 / (self.youngs_modulus_gpa * 1e9 * self.expansion_ppm_k * 1e-6)
    }
}

#[allow(clippy::too_many_arguments)]
const fn m(
    name: &'static str,
    source: &'static str,
    k: f64,
    rho: f64,
    c: f64,
    melting_k: Option<f64>,
    cte: f64,
    e: f64,
    yield_mpa: f64,
    magnetic: bool,
) -> Material {
    Material {
        name,
        source,
        conductivity_w_m_k: k,
        density_kg_m3: rho,
        heat_capacity_j_kg_k: c,
        melting_k,
        expansion_ppm_k: cte,
        youngs_modulus_gpa: e,
        yield_mpa,
        magnetic,
    }
}

/// The table. The first entry is the built-in foil.
#[rustfmt::skip]
pub const TABLE: [Material; 8] = [
    m("low-carbon-steel", "1008 supplier data sheets", 65.2, 7872.0, 481.0, Some(1788.0), 12.6, 200.0, 285.0, true),
    m("stainless-304", "from memory", 14.9, 7900.0, 477.0, Some(1670.0), 17.2, 193.0, 215.0, false),
    m("brass-cuzn37", "manufacturer data sheet, temper R410", 121.0, 8440.0, 377.0, Some(1177.0), 20.2, 110.0, 300.0, false),
    m("copper", "Incropera & DeWitt Table A.1; mechanical from memory", 401.0, 8933.0, 385.0, Some(1358.0), 16.5, 117.0, 250.0, false),
    m("nickel", "Incropera & DeWitt Table A.1; mechanical from memory", 90.7, 8900.0, 444.0, Some(1728.0), 13.4, 207.0, 148.0, true),
    m("aluminium-1100", "from memory", 222.0, 2710.0, 904.0, Some(916.0), 23.6, 69.0, 150.0, false),
    m("molybdenum", "Incropera & DeWitt Table A.1; mechanical from memory", 138.0, 10240.0, 251.0, Some(2894.0), 4.8, 325.0, 550.0, false),
    m("polyimide", "manufacturer data, HN film", 0.12, 1420.0, 1090.0, None, 20.0, 2.5, 69.0, false),
];

/// The material of that name.
pub fn find(name: &str) -> Option<&'static Material> {
    TABLE.iter().find(|m| m.name == name)
}

/// All names, in the order of the table.
pub fn names() -> impl Iterator<Item = &'static str> {
    TABLE.iter().map(|m| m.name)
}
