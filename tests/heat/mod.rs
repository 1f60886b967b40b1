//! Heat: the solver against closed forms, an implicit solver and the energy account; cool order on masks.

mod closed_forms;
mod joins;
mod masks;
mod never_worse;
mod oracle;
mod order;
mod plots;
mod sheets;
mod webs;

use foilwright::recipe::Recipe;

/// The foil of the check values: 25 um of 1008, 2.25 W of heat, 500 W/m2K.
pub fn check_recipe() -> Recipe {
    let mut recipe = foilwright::recipe::built_in("steel-25um").unwrap();
    recipe.foil.thickness_um = 25.0;
    recipe.laser.power_percent = 37.5;
    recipe.laser.absorbed_fraction = 0.3;
    recipe.heat.loss_w_m2_k = 500.0;
    recipe.passes.count = 1;
    recipe
}
