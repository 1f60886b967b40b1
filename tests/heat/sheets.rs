//! The sheets that heat is reckoned on: the two sides of a cut, and the coarse sheet that orders are planned on.

use super::masks;
use foilwright::heat::{
    Fineness, Foil, HeatResult, Load, PlanSheet, SimOptions, closed_form, fitting_mm, simulate,
};
use foilwright::motion::{Burn, Motion};

/// A foil that loses next to nothing.
fn kept_warm() -> Foil {
    let mut recipe = super::check_recipe();
    recipe.heat.loss_w_m2_k = 1e-3;
    let mut foil = Foil::new(&recipe);
    foil.slide_j_m2_k = f64::INFINITY;
    foil
}

fn fineness(cell_mm: f64, rays: u32) -> Fineness {
    Fineness {
        cell_mm: [cell_mm; 2],
        rays,
        tick_s: 0.0,
        settle_s: 4e-4,
        horizon_s: 5e-3,
    }
}

/// The four sides of a square as one closed way.
fn outline([x, y]: [f64; 2], side: f64) -> Vec<[f64; 2]> {
    vec![
        [x, y],
        [x + side, y],
        [x + side, y + side],
        [x, y + side],
        [x, y],
    ]
}

/// Slots of 60 um with webs of 60 um between them, upright, in the middle of a sheet.
fn grating() -> Motion {
    let mut motion = Motion {
        sheet_mm: [0.0, 0.0, 8.0, 6.0],
        ..Motion::default()
    };
    for slot in 0..30u32 {
        let x = 2.2 + 0.12 * f64::from((slot * 7) % 30);
        let points = vec![
            [x, 1.5],
            [x + 0.06, 1.5],
            [x + 0.06, 4.5],
            [x, 4.5],
            [x, 1.5],
        ];
        motion.burns.push(Burn {
            points,
            start_s: motion.end_s,
            speed_mm_s: 100.0,
            power_w: 2.0,
            path: slot,
            pass: 1,
        });
        motion.end_s = motion.burns[slot as usize].end_s() + 2e-3;
    }
    motion
}

// No source: the same model on cells that show each web.
#[test]
fn cells_wider_than_the_webs_leave_them_attached() {
    let motion = grating();
    let recipe = super::check_recipe();
    let on = |cell_um: f64| {
        let options = SimOptions {
            cell_um: Some(cell_um),
            ..SimOptions::default()
        };
        simulate(&motion, &recipe, options)
    };
    let (fine, coarse) = (on(30.0), on(170.0));
    // The slots' own foil is free; the webs are not, and cells that hold both are not said to be.
    let free = |r: &HeatResult| {
        r.cut_free.iter().filter(|f| **f).count() as f64 * (r.dx_um * 1e-3).powi(2)
    };
    assert!(
        (free(&fine) / (30.0 * 0.06 * 3.0) - 1.0).abs() < 0.1,
        "{}",
        free(&fine)
    );
    assert_eq!(free(&coarse), 0.0);
    // Heat runs along the webs to the foil above and below, in coarse cells that of the slots' own foil too.
    let patch = |r: &HeatResult| r.patch.peak_mean_k;
    assert!(
        (patch(&coarse) / patch(&fine) - 1.0).abs() < 0.2,
        "{} {}",
        patch(&coarse),
        patch(&fine)
    );
    let mean_end =
        |r: &HeatResult| r.end_k.iter().map(|k| f64::from(*k)).sum::<f64>() / r.end_k.len() as f64;
    assert!((mean_end(&coarse) / mean_end(&fine) - 1.0).abs() < 0.02);
    let said = |r: &HeatResult| r.lines().iter().any(|l| l.contains("only an estimate"));
    assert!(said(&coarse) && !said(&fine));
}

// By symmetry half of a cut's heat goes to either side of it, wherever it lies between the centres of cells.
#[test]
fn a_cut_warms_both_its_sides_alike_in_the_simulation() {
    for shift in 0..8 {
        let at = [
            1.0 + 0.0137 * f64::from(shift),
            1.2 + 0.0211 * f64::from(shift),
        ];
        let mut recipe = super::check_recipe();
        recipe.heat.loss_w_m2_k = 1e-3;
        // So quick that little crosses before the outline is closed.
        recipe.scan.cut_speed_mm_s = 50_000.0;
        recipe.laser.power_percent = 100.0;
        recipe.heat.bite_mm = 100.0;
        let mask = masks::Mask {
            name: "square",
            sheet_mm: [0.0, 0.0, 4.0, 4.0],
            paths: vec![masks::closed(outline(at, 1.0)[..4].to_vec())],
            recipe,
        };
        let motion = masks::motion(&mask, &masks::in_rounds(&mask, &[0]));
        let options = SimOptions {
            cell_um: Some(50.0),
            slide: false,
            ..SimOptions::default()
        };
        let result = simulate(&motion, &mask.recipe, options);
        let inside: f64 = (result.end_k.iter().zip(&result.cut_free))
            .filter(|(_, free)| **free)
            .map(|(rise, _)| f64::from(*rise))
            .sum();
        let foil = Foil::new(&mask.recipe);
        let inside_j = inside * foil.capacity_j_m2_k * (0.05e-3f64).powi(2);
        let share = inside_j / result.energy.put_in_j;
        assert!(
            (share - 0.5).abs() < 0.03,
            "{share} within, square at {at:?}"
        );
    }
}

#[test]
fn a_cut_warms_both_its_sides_alike_on_the_planning_sheet() {
    let foil = kept_warm();
    for shift in 0..8 {
        let at = [
            1.0 + 0.0137 * f64::from(shift),
            1.2 + 0.0211 * f64::from(shift),
        ];
        let mut sheet = PlanSheet::new([0.0, 0.0, 4.0, 4.0], &fineness(0.05, 1), 0.008, &foil);
        let trace = sheet.trace(&outline(at, 1.0));
        sheet.cut(&trace, 1e-3, [0.0, 1e-4], (1, 1));
        for _ in 0..50 {
            sheet.wait(0.02);
        }
        let middle = sheet.at(sheet.place([at[0] + 0.5, at[1] + 0.5]));
        let want = 0.5e-3 / (foil.capacity_j_m2_k * 1e-6);
        assert!(
            (f64::from(middle) / want - 1.0).abs() < 0.03,
            "{middle} K, {want} K wanted, square at {at:?}"
        );
    }
}

// E1 and E6: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, eq. 10.3(2), and its mirror image.
#[test]
fn the_planning_sheet_meets_the_closed_forms_of_a_point_and_of_a_point_beside_a_slot() {
    let mut foil = kept_warm();
    foil = Foil {
        loss_w_m2_k: 500.0,
        ..foil
    };
    for rays in [1, 8] {
        let new = || PlanSheet::new([-4.0, -4.0, 4.0, 4.0], &fineness(0.1, rays), 0.008, &foil);
        let point = [0.05, 0.05];
        let mut sheet = new();
        let spot = sheet.trace(&[point, [point[0], point[1] + 1e-6]]);
        sheet.warm(&spot, 1e-3);
        let mut slotted = new();
        let slot = slotted.trace(&[[-4.0, 0.4], [4.0, 0.4]]);
        slotted.cut(&slot, 0.0, [0.0, 0.0], (1, 1));
        slotted.warm(&spot, 1e-3);
        for (t_s, tolerance) in [(5e-3, 0.02), (2e-2, 0.01)] {
            // No wait as long as heat from a point takes to spread: orders wait so for heat that has spread.
            let waits = if t_s < 1e-2 { 10 } else { 30 };
            for _ in 0..waits {
                sheet.wait(5e-4);
                slotted.wait(5e-4);
            }
            let free = closed_form::point(&foil, 1e-3, 0.5e-3, t_s);
            let got = f64::from(sheet.at(sheet.place([0.55, 0.05])));
            assert!(
                (got / free - 1.0).abs() < tolerance,
                "{rays} rays: {got} K, {free} K"
            );
            // 0.35 mm from the slot, its image as far beyond; read where the source was.
            let image = closed_form::point(&foil, 1e-3, 0.7e-3, t_s);
            let want = closed_form::point(&foil, 1e-3, 0.0, t_s) + image;
            let got = f64::from(slotted.at(slotted.place(point)));
            assert!(
                (got / want - 1.0).abs() < 0.03,
                "{rays} rays: {got} K, {want} K beside a slot"
            );
            // Nothing passes the slot.
            assert_eq!(slotted.at(slotted.place([0.05, 0.55])), 0.0);
        }
    }
}

#[test]
fn the_outlook_is_what_comes_if_nothing_is_cut() {
    let foil = kept_warm();
    let mut sheet = PlanSheet::new([0.0, 0.0, 4.0, 4.0], &fineness(0.05, 1), 0.008, &foil);
    let trace = sheet.trace(&[[1.0, 2.0], [3.0, 2.0]]);
    sheet.cut(&trace, 1e-3, [1e-3, 5e-3], (1, 4));
    sheet.look_ahead();
    let places: Vec<[f32; 2]> = (0..20)
        .map(|n| sheet.place([0.5 + 0.15 * f64::from(n), 2.0 + 0.05 * f64::from(n % 7)]))
        .collect();
    let told: Vec<f32> = places
        .iter()
        .map(|p| sheet.soon(*p, true).max(sheet.ahead(*p)))
        .collect();
    // From the shortest jump on, until the horizon.
    let mut highest = vec![0.0f32; places.len()];
    sheet.wait(3e-4);
    for _ in 0..47 {
        sheet.wait(1e-4);
        for (most, p) in highest.iter_mut().zip(&places) {
            *most = most.max(sheet.at(*p));
        }
    }
    for ((told, highest), p) in told.iter().zip(&highest).zip(&places) {
        let now_and_then = (told - highest) / highest.max(1.0);
        assert!(
            now_and_then.abs() < 0.25,
            "{p:?}: {told} K told, {highest} K came"
        );
    }
    assert!(told.iter().any(|k| *k > 10.0), "{told:?}");
}

#[test]
fn cells_fit_the_pitch_of_cuts_that_repeat() {
    // Fingers of 60 um every 130 um, from an odd place: no cell of 25 to 30 um divides both, one of 26 the pitch.
    let combs: Vec<Vec<[f64; 2]>> = (0..40)
        .map(|n| {
            vec![
                [1.013 + 0.13 * f64::from(n), 1.0],
                [1.013 + 0.13 * f64::from(n), 8.0],
            ]
        })
        .collect();
    let sheet = [0.0, 0.0, 10.4, 9.0];
    let [x, y] = fitting_mm(sheet, 0.0275, combs.iter().map(Vec::as_slice));
    assert!((0.13 / x - 5.0).abs() < 0.01, "{x} mm");
    assert!((y - 9.0 / 327.0).abs() < 1e-9, "{y} mm");
    // Nothing to fit: as asked for, a whole number of them.
    let none = fitting_mm(sheet, 0.0275, std::iter::empty());
    assert!((none[0] - 10.4 / 378.0).abs() < 1e-12);
    for bad in [f64::MAX, f64::NAN] {
        let line = [[bad, 0.0], [bad, 1.0]];
        let cell = fitting_mm(sheet, 0.0275, [&line[..]].into_iter());
        assert!(cell.iter().all(|c| c.is_finite() && *c > 0.0));
    }
}

#[test]
fn planning_cells_are_as_fine_as_the_work_allows() {
    let foil = kept_warm();
    let load = |area_mm2: f64, visits: f64| Load {
        area_mm2,
        visits,
        visit_s: 0.02,
        settle_s: 4e-4,
        spacing_mm: 0.12,
    };
    // Half the distance between cuts; finer where that takes no time; coarser where it takes too much.
    let few = Fineness::choose(&load(100.0, 1000.0), &foil);
    assert!((few.cell_mm[0] - 0.06).abs() < 1e-9 && few.rays == 1 && few.tick_s == 0.0);
    let fewest = Fineness::choose(&load(100.0, 20.0), &foil);
    assert!(fewest.cell_mm[0] < few.cell_mm[0] && fewest.rays == 1);
    let many = Fineness::choose(&load(100.0, 1e6), &foil);
    assert!(many.cell_mm[0] > few.cell_mm[0] && many.rays == 8);
    let larger = Fineness::choose(&load(4e4, 1e6), &foil);
    assert!(larger.cell_mm[0] > many.cell_mm[0]);
}

// No source: nothing else was cut, so there is nothing to remember but what lies two bites behind.
#[test]
fn a_cut_that_runs_on_does_not_remember_itself() {
    let recipe = super::check_recipe();
    let line = |y: f64, start_s: f64, path: u32| Burn {
        points: vec![[1.0, y], [9.0, y]],
        start_s,
        speed_mm_s: 100.0,
        power_w: 5.0,
        path,
        pass: 1,
    };
    let mut motion = Motion {
        sheet_mm: [0.0, 0.0, 10.0, 4.0],
        burns: vec![line(2.0, 0.0, 0)],
        end_s: 0.08,
        ..Motion::default()
    };
    let peaks = |motion: &Motion| {
        [50.0, 100.0].map(|cell_um| {
            let options = SimOptions {
                cell_um: Some(cell_um),
                ..SimOptions::default()
            };
            let memory = simulate(motion, &recipe, options).memory;
            assert!(memory.mean_at_start_k <= memory.max_at_start_k);
            assert!(memory.max_at_start_k <= memory.peak_k);
            memory.peak_k
        })
    };
    let alone = peaks(&motion);
    assert!(alone.iter().all(|k| *k < 10.0), "{alone:?}");
    // A line beside it, a little later, remembers the first, alike on both cells.
    motion.burns.push(line(2.5, 0.18, 1));
    motion.end_s = 0.26;
    let [fine, coarse] = peaks(&motion);
    assert!(
        fine > 2.0 * alone[0] && (coarse / fine - 1.0).abs() < 0.1,
        "{fine} {coarse}"
    );
}
