//! The job-time floor: below every order that brute force finds, and not far below the best.

use crate::support::dice::Dice;
use crate::support::options;
use foilwright::job::{Label, Plan, floor, place};
use foilwright::kerf::{CutKind, CutPath};
use foilwright::order::{OrderMode, Sequence, Visit};
use foilwright::recipe::Recipe;
use foilwright::stencil::IslandMode;

const SHEET_MM: [f64; 4] = [0.0, 0.0, 20.0, 20.0];

fn recipe() -> Recipe {
    Recipe::load("steel-25um").unwrap()
}

fn plan(paths: &[CutPath], visits: &[(u32, u32)]) -> Plan {
    let visit = |(path, pass): &(u32, u32)| Visit {
        path: *path,
        pass: *pass,
        from_mm: 0.0,
        to_mm: paths[*path as usize].length_mm(),
        dwell_before_s: 0.0,
        dwell_reason: String::new(),
    };
    let sequence = Sequence {
        paths: paths.to_vec(),
        visits: visits.iter().map(visit).collect(),
    };
    let label = Label {
        artwork: "random.svg",
        layer: "one",
        order: OrderMode::Artwork,
        forced: false,
    };
    place(&sequence, SHEET_MM, &recipe(), &label).unwrap()
}

/// Loops, lines, lines that begin where another ends, at random.
fn random_paths(dice: &mut Dice, count: usize) -> Vec<CutPath> {
    let mut out: Vec<CutPath> = Vec::new();
    for _ in 0..count {
        let mut any = || dice.below(18_000) as f64 * 1e-3 + 1.0;
        let (x, y, side) = (any(), any(), 0.05 * any());
        let closed = dice.below(2) == 0;
        let mut points = if closed {
            vec![[x, y], [x + side, y], [x, y + side], [x, y]]
        } else {
            vec![[x, y], [x + 3.0 * side, y + side]]
        };
        if let (false, true, Some(last)) = (closed, dice.below(3) == 0, out.last()) {
            points[0] = *last.points.last().unwrap();
        }
        out.push(CutPath {
            kind: CutKind::Line,
            closed,
            points,
            opening: None,
            parent: None,
            run_in_mm: 0.0,
        });
    }
    out
}

/// The least time of all orders of the visits, passes of a path in turn.
fn brute_force_s(paths: &[CutPath], passes: u32) -> f64 {
    fn go(paths: &[CutPath], passes: u32, visits: &mut Vec<(u32, u32)>, best: &mut f64) {
        if visits.len() == paths.len() * passes as usize {
            *best = best.min(plan(paths, visits).timing.job_s);
            return;
        }
        for path in 0..paths.len() as u32 {
            let done = visits.iter().filter(|v| v.0 == path).count() as u32;
            if done < passes {
                visits.push((path, done + 1));
                go(paths, passes, visits, best);
                visits.pop();
            }
        }
    }
    let mut best = f64::INFINITY;
    go(paths, passes, &mut Vec::new(), &mut best);
    best
}

#[test]
fn no_order_that_brute_force_finds_beats_the_floor() {
    let mut dice = Dice::seeded(5);
    let (mut jumps, mut least) = (0.0, 0.0);
    for (count, passes, cases) in [(1, 1, 10), (2, 3, 20), (3, 2, 40), (5, 1, 60), (6, 1, 20)] {
        for case in 0..cases {
            let paths = random_paths(&mut dice, count);
            let visits: Vec<(u32, u32)> = (1..=passes)
                .flat_map(|pass| (0..count as u32).map(move |p| (p, pass)))
                .collect();
            let plan = plan(&paths, &visits);
            let floor = floor(&plan);
            let best = brute_force_s(&paths, passes);
            assert!(
                floor.job_s <= best + 1e-12,
                "{count} paths, {passes} passes, case {case}: floor {floor:?}, best {best}"
            );
            assert!((floor.beam_on_s - plan.timing.beam_on_s).abs() < 1e-9);
            jumps += floor.jump_s;
            least += best - floor.beam_on_s;
        }
    }
    // Not so low that it says nothing: more than half of the jumps that the best orders make.
    println!("floor {jumps:.4} s of jumps, best orders {least:.4} s");
    assert!(
        jumps > 0.5 * least,
        "floor {jumps} s, best orders {least} s"
    );
}

// A chain of dots, whose shortest tree is known: 1 mm steps from the beam's rest, and one far off.
#[test]
fn the_floor_of_a_row_is_its_length() {
    let dot = |x: f64| CutPath {
        kind: CutKind::Clear,
        closed: false,
        points: vec![[10.0 + x, 10.0], [10.0 + x, 10.0 + 1e-9]],
        opening: None,
        parent: None,
        run_in_mm: 0.0,
    };
    let paths: Vec<CutPath> = [3.0, 1.0, 2.0, 9.0].map(dot).to_vec();
    let visits: Vec<(u32, u32)> = (0..4).map(|p| (p, 1)).collect();
    let floor = floor(&plan(&paths, &visits));
    let scan = recipe().scan;
    let expected = 9.0 / scan.jump_speed_mm_s + 4.0 * scan.jump_settle_ms * 1e-3;
    assert!((floor.jump_s - expected).abs() < 1e-9, "{floor:?}");
}

// Thousands of long lines aslant, whose boxes all overlap: the floor is found in bounded work and stays below.
#[test]
fn hatching_does_not_stall_the_floor() {
    let paths: Vec<CutPath> = (0..3000)
        .map(|i| {
            let x = 1.0 + 17.0 * f64::from(i) / 3000.0;
            CutPath {
                kind: CutKind::Line,
                closed: false,
                points: vec![[x, 1.0], [1.0, x]],
                opening: None,
                parent: None,
                run_in_mm: 0.0,
            }
        })
        .collect();
    let visits: Vec<(u32, u32)> = (0..3000).map(|p| (p, 1)).collect();
    let plan = plan(&paths, &visits);
    assert!(floor(&plan).job_s <= plan.timing.job_s);
}

#[test]
fn every_order_of_a_drawing_stays_above_its_floor() {
    let drawing = std::path::Path::new("demo-data/thermopile-sensor.svg");
    let mut floors = Vec::new();
    for order in [OrderMode::Artwork, OrderMode::Travel, OrderMode::Cool] {
        let run = foilwright::prepare(drawing, &options(recipe(), IslandMode::Tie, order)).unwrap();
        for layer in &run.report.layers {
            assert!(
                layer.floor_s > 0.0 && layer.floor_s < layer.job_s,
                "{}",
                layer.name
            );
            floors.push((layer.name.clone(), layer.floor_s));
        }
    }
    // Run-ins lie elsewhere when a path starts elsewhere; the floor hardly moves.
    let n = floors.len() / 3;
    for i in 0..2 * n {
        let [(name, a), (_, b)] = [&floors[i], &floors[i + n]];
        assert!((a / b - 1.0).abs() < 0.01, "{name}: {a} s, {b} s");
    }
}
