//! The plots of DEVELOPERS.md: errors against cell size, and the cost of planning against the number of visits.

use super::closed_forms::{e8_error, foil, moving, nearest_time, on_edge, run, square};
use super::masks;
use crate::hostile::harness::cpu_seconds;
use foilwright::heat::{FineSheet, closed_form};
use foilwright::pictures::chart::{Chart, Mark, Series};

fn off(got: f64, want: f64) -> f64 {
    (got / want - 1.0).abs()
}

/// E1: 0.5 mm from the source, 5 ms after the heat came.
fn e1_error(dx: f64) -> f64 {
    let foil = foil();
    let mut sheet = square(3.0, dx, &foil);
    sheet.heat([0.0, 0.0], 1e-3);
    run(&mut sheet, 5e-3, |_, _, _| {});
    let t = nearest_time(&sheet, 5e-3);
    off(
        sheet.at([0.5, 0.0]),
        closed_form::point(&foil, 1e-3, 5e-4, t),
    )
}

/// E3: 1 mm behind and 0.1 mm beside the beam.
fn e3_errors(dx: f64) -> [f64; 2] {
    let foil = foil();
    let cells = |mm: f64| ((mm / dx).floor() + 0.5) * dx;
    let sheet_mm = [-cells(10.0), -cells(2.5), cells(3.0), cells(2.5)];
    let mut sheet = FineSheet::new(sheet_mm, dx, &foil);
    moving(&foil, &mut sheet, 8.0, 0.0);
    [
        off(sheet.at([-1.0, 0.0]), 146.482),
        off(sheet.at([0.0, 0.1]), 304.4943),
    ]
}

/// E6: on a slot, 2 ms after heat came 0.3 mm from it. The source is in the middle of a cell.
fn e6_error(cells: u32) -> (f64, f64) {
    let foil = foil();
    let dx = 0.3 / (f64::from(cells) + 0.5);
    let half_x = ((2.4 / dx).floor() + 0.5) * dx;
    let rows = (2.4 / dx).ceil() * dx;
    let mut sheet = FineSheet::new([-half_x, -rows, half_x, rows], dx, &foil);
    sheet.cut([-9.0, 0.0], [9.0, 0.0], 0.0, &mut Vec::new());
    sheet.heat([0.0, 0.3], 1e-3);
    run(&mut sheet, 2e-3, |_, _, _| {});
    let t = nearest_time(&sheet, 2e-3);
    let ratio =
        closed_form::point(&foil, 1.0, 3e-4, t) / closed_form::point(&foil, 1.0, 3e-4, 2e-3);
    let got = on_edge(sheet.at([0.0, dx / 2.0]), sheet.at([0.0, 1.5 * dx]));
    (dx, off(got / ratio, 25.1348))
}

/// E7: on the edge beside the source after 0.3 s; the source is in the middle of a cell where the plate has
/// 4 k + 2 of them. The last step is the nearest to that time, which costs as much as the loss in half a step.
fn e7_error(cells: u32) -> (f64, f64) {
    let dx = 20.0 / f64::from(cells);
    let mut sheet = FineSheet::new([0.0, 0.0, 20.0, 20.0], dx, &foil());
    sheet.heat([5.0, 5.0], 10e-3);
    run(&mut sheet, 0.3, |_, _, _| {});
    let edge = on_edge(sheet.at([dx / 2.0, 5.0]), sheet.at([1.5 * dx, 5.0]));
    (dx, off(edge, 0.2005881))
}

fn write(name: &str, chart: &Chart) {
    std::fs::write(format!("docs/{name}.png"), chart.png()).unwrap();
}

#[test]
#[ignore = "a minute: draws docs/heat-convergence.png"]
fn slow_plot_heat_convergence() {
    let sizes = [0.4, 0.2, 0.1, 0.05, 0.025];
    let percent = |points: Vec<(f64, f64)>| -> Vec<[f64; 2]> {
        points
            .into_iter()
            .map(|(dx, e)| [dx * 1e3, 100.0 * e])
            .collect()
    };
    let each = |f: &dyn Fn(f64) -> f64| percent(sizes.iter().map(|dx| (*dx, f(*dx))).collect());
    let series = [
        ("E1 point source", each(&e1_error)),
        ("E3 1 mm behind the beam", each(&|dx| e3_errors(dx)[0])),
        ("E3 0.1 mm beside it", each(&|dx| e3_errors(dx)[1])),
        (
            "E6 on a slot",
            percent([1, 2, 3, 6, 12].map(e6_error).to_vec()),
        ),
        (
            "E7 insulated plate",
            percent([50, 102, 202, 402].map(e7_error).to_vec()),
        ),
        (
            "E8 row of slits",
            percent(
                [0.2, 0.1, 0.05, 0.025]
                    .map(|dx| (dx, e8_error(dx)))
                    .to_vec(),
            ),
        ),
    ];
    let marks = [
        Mark::Disc,
        Mark::Square,
        Mark::Cross,
        Mark::Ring,
        Mark::Disc,
        Mark::Square,
    ];
    let order = |at: f64, power: f64| -> Vec<[f64; 2]> {
        [400.0f64, 25.0]
            .map(|dx| [dx, at * (dx / 400.0).powf(power)])
            .to_vec()
    };
    let mut chart = Chart {
        title: "Heat model: error against cell size".to_owned(),
        notes: vec!["closed forms of a thin sheet, 25 um steel, 500 W/m2K; a cut severs the links it crosses".to_owned()],
        x_label: "cell, um".to_owned(),
        y_label: "error, %".to_owned(),
        log: [true, true],
        ..Chart::default()
    };
    for ((name, points), mark) in series.into_iter().zip(marks) {
        println!("{name}: {points:.4?}");
        chart.series.push(Series::marks(name, mark, points));
    }
    chart
        .series
        .push(Series::line("second order", order(5.0, 2.0)));
    chart
        .series
        .push(Series::line("first order", order(180.0, 1.0)));
    // A plain second-order scheme falls by 4 for each halving; slit tips only by 2.
    let fell = |s: usize, i: usize| chart.series[s].points[i][1] / chart.series[s].points[i + 1][1];
    assert!(fell(1, 1) > 2.5 && fell(5, 2) > 1.7, "{:?}", chart.series);
    write("heat-convergence", &chart);
}

#[test]
#[ignore = "minutes: draws docs/planning-cost.png"]
fn slow_plot_planning_cost() {
    let mut points = Vec::new();
    for side in [16, 32, 63, 126, 251, 500] {
        let mask = masks::dense_squares(side);
        let busy = cpu_seconds();
        let visits = masks::cool(&mask).value;
        let took = cpu_seconds() - busy;
        println!("{} visits: {took:.2} CPU s", visits.len());
        points.push([visits.len() as f64, took.max(0.01)]);
    }
    let last = points[points.len() - 1];
    let chart = Chart {
        title: "Cool order: cost of planning".to_owned(),
        notes: vec!["squares of 0.15 mm at a pitch of 0.3 mm, 4 passes; one thread".to_owned()],
        x_label: "visits".to_owned(),
        y_label: "CPU seconds".to_owned(),
        series: vec![
            Series::marks("measured", Mark::Disc, points.clone()),
            Series::line(
                "in proportion to the visits",
                vec![[1e3, last[1] * 1e3 / last[0]], last],
            ),
        ],
        log: [true, true],
        ..Chart::default()
    };
    write("planning-cost", &chart);
    assert!(last[1] < 200.0, "a million visits took {} CPU s", last[1]);
}
