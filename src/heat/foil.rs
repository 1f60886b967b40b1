//! The constants of one foil on its slide, from the recipe.

use crate::material;
use crate::recipe::{FoilEdges, Recipe};

/// Heat capacity of a millimetre of glass, J/m2K (soda-lime: 2500 kg/m3 x 840 J/kgK, common handbook values).
const GLASS_J_M2_K_MM: f64 = 2100.0;

/// A thin sheet on a slide. SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foil {
    /// Conductivity times thickness, W/K.
    pub sheet_w_k: f64,
    /// Heat capacity per area, J/m2K.
    pub capacity_j_m2_k: f64,
    /// Diffusivity, m2/s.
    pub alpha_m2_s: f64,
    /// Loss from foil to slide, W/m2K.
    pub loss_w_m2_k: f64,
    /// Heat capacity of the slide per area, J/m2K; infinite holds it at rest temperature.
    pub slide_j_m2_k: f64,
    /// Loss from the slide to what it lies on, W/m2K.
    pub slide_loss_w_m2_k: f64,
    /// Edges held at rest temperature instead of insulated.
    pub clamped: bool,
    /// Fraction of the mean power that stays as heat.
    pub absorbed: f64,
    /// Width that a cut takes out of the sheet, m.
    pub kerf_m: f64,
    /// Rise at which a fully restrained sheet first yields, K.
    pub first_yield_k: f64,
    /// Buckling rise of a simply supported patch times its side squared, K m2.
    pub buckling_k_m2: f64,
}

impl Foil {
    /// From the recipe; the handbook table gives k, rho, c and the mechanical values.
    ///
    /// Buckling of a fully restrained square plate, simply supported: 2 pi2 h2 / (12 (1 + nu) CTE b2)
    /// (Timoshenko & Gere, Theory of Elastic Stability, from memory), nu = 0.3.
    pub fn new(recipe: &Recipe) -> Foil {
        let m = material::find(&recipe.foil.material).unwrap_or(&material::TABLE[0]);
        let h = recipe.foil.thickness_um * 1e-6;
        let pi2 = std::f64::consts::PI * std::f64::consts::PI;
        Foil {
            sheet_w_k: m.conductivity_w_m_k * h,
            capacity_j_m2_k: m.density_kg_m3 * m.heat_capacity_j_kg_k * h,
            alpha_m2_s: m.diffusivity_m2_s(),
            loss_w_m2_k: recipe.heat.loss_w_m2_k,
            slide_j_m2_k: GLASS_J_M2_K_MM * recipe.heat.slide_mm,
            slide_loss_w_m2_k: recipe.heat.slide_loss_w_m2_k,
            clamped: recipe.heat.edges == FoilEdges::Clamped,
            absorbed: recipe.laser.absorbed_fraction,
            kerf_m: recipe.kerf.width_um * 1e-6,
            first_yield_k: m.first_yield_k(),
            buckling_k_m2: 2.0 * pi2 * h * h / (12.0 * 1.3 * m.expansion_ppm_k * 1e-6),
        }
    }
    /// Time constant of the loss to the slide, s.
    pub fn tau_s(&self) -> f64 {
        self.capacity_j_m2_k / self.loss_w_m2_k
    }
}
