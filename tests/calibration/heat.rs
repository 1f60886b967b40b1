//! Heat coupon: readings simulated on the foil, with noise, come back as heat fraction and loss.

use super::Random;
use foilwright::heat::{FineSheet, Foil};
use foilwright::kerf::coupon::heat_coupon;
use foilwright::kerf::fit::{Kind, Table, heat};
use foilwright::recipe::Recipe;

/// The coupon's job on the fine sheet with a slide that warms; the rise in the middle at the times of its table.
fn true_readings(recipe: &Recipe, foil: &Foil) -> (String, Vec<[f64; 2]>) {
    let coupon = heat_coupon(recipe).unwrap();
    let (plan, _) = coupon.plans(recipe).unwrap().remove(0);
    let motion = plan.motion();
    let mut sheet = FineSheet::new(motion.sheet_mm, 0.1, foil);
    // Paths after the corner mark are the star.
    let star: Vec<_> = motion.burns.iter().filter(|b| b.path > 0).collect();
    assert_eq!(star.len(), 8, "eight cuts, one pass, no bites");
    let zero = star[0].start_s;
    assert!(motion.dwells.iter().any(|d| d.1 > 5.0 && d.0 + d.1 <= zero));
    let times: Vec<f64> = (coupon.table.lines().skip(1))
        .map(|l| l.split(',').next().unwrap().parse().unwrap())
        .collect();
    let mut out = Vec::new();
    let dt = sheet.dt_s;
    let steps = (times.last().unwrap() / dt).ceil() as usize + 1;
    for n in 0..steps {
        let (from, to) = (n as f64 * dt, (n + 1) as f64 * dt);
        for b in &star {
            let (start, end) = (b.start_s - zero, b.end_s() - zero);
            let (a, z) = (from.max(start), to.min(end));
            if z > a {
                let along = |t: f64| {
                    let f = (t - start) / (end - start);
                    [0, 1].map(|i| b.points[0][i] + f * (b.points[1][i] - b.points[0][i]))
                };
                sheet.cut(along(a), along(z), 0.0, &mut Vec::new());
                sheet.heat(along((a + z) / 2.0), foil.absorbed * b.power_w * (z - a));
            }
        }
        sheet.step();
        sheet.lose(dt);
        if let Some(t) = times.get(out.len()).filter(|t| **t <= to) {
            out.push([*t, sheet.at([0.0, 0.0])]);
        }
    }
    (coupon.table, out)
}

fn table(blank: &str, readings: &[[f64; 2]]) -> Table {
    let mut lines = blank.lines().map(str::to_owned);
    let mut text = lines.next().unwrap() + "\n";
    for (line, [_, rise]) in lines.zip(readings) {
        text += &(line.replacen(",,", &format!(",{rise:.3},"), 1) + "\n");
    }
    Table::parse(text.as_bytes(), "coupon-heat.csv").unwrap()
}

#[test]
fn heat_fraction_and_loss_come_back_within_their_uncertainty() {
    for (absorbed, loss) in [(0.3, 500.0), (0.2, 1500.0)] {
        let recipe = Recipe::load("steel-25um").unwrap();
        let mut truth = recipe.clone();
        truth.laser.absorbed_fraction = absorbed;
        truth.heat.loss_w_m2_k = loss;
        let (blank, exact) = true_readings(&recipe, &Foil::new(&truth));
        let peak = exact.iter().map(|r| r[1]).fold(0.0, f64::max);
        assert!(peak > 3.0, "the sensor sees only {peak} K");
        // Readings as good as they come: what is left is what the closed form leaves out.
        let (burst, readings) = heat::read(&table(&blank, &exact)).unwrap();
        let fit = heat::fit(&burst, &readings).unwrap();
        for (found, truth) in [(fit.absorbed_fraction, absorbed), (fit.loss_w_m2_k, loss)] {
            println!("{found:?}, {truth}");
            assert!(
                (found.value - truth).abs() <= found.half_width_95,
                "{found:?}, {truth}"
            );
        }
        let cases = 50;
        let (mut eta_in, mut loss_in) = (0, 0);
        let mut random = Random::new(11);
        for case in 0..cases {
            let sd = 0.02 * peak;
            let noisy: Vec<[f64; 2]> = exact
                .iter()
                .map(|r| [r[0], r[1] + sd * random.normal()])
                .collect();
            let table = table(&blank, &noisy);
            assert_eq!(Kind::of(&table).unwrap(), Kind::Heat);
            let (burst, readings) = heat::read(&table).unwrap();
            let fit = heat::fit(&burst, &readings).unwrap();
            if case == 0 {
                println!(
                    "peak {peak:.2} K: {:?}, {:?}",
                    fit.absorbed_fraction, fit.loss_w_m2_k
                );
            }
            let (e, h) = (fit.absorbed_fraction, fit.loss_w_m2_k);
            eta_in += usize::from((e.value - absorbed).abs() <= e.half_width_95);
            loss_in += usize::from((h.value - loss).abs() <= h.half_width_95);
            // Useful, not only honest: within a third of the value.
            assert!(e.half_width_95 < 0.34 * absorbed, "{e:?}");
        }
        println!("{absorbed}, {loss}: {eta_in} and {loss_in} of {cases} intervals hold the truth");
        assert!(
            eta_in >= 44 && loss_in >= 44,
            "{eta_in} and {loss_in} of {cases}"
        );
    }
}

#[test]
fn heat_tables_that_tell_nothing_are_refused_with_words() {
    let head = "time_s,rise_k,burst_j,burst_s,inner_mm,outer_mm,capacity_j_m2_k,sheet_w_k";
    let refused = |rows: &str| {
        let table = Table::parse(format!("{head}\n{rows}").as_bytes(), "heat.csv").unwrap();
        match heat::read(&table) {
            Err(e) => e.to_string(),
            Ok((burst, readings)) => heat::fit(&burst, &readings).unwrap_err(),
        }
    };
    let burst = "0.4,0.09,1,2,96.2,0.00166";
    assert!(refused(&format!("0.1,3,{burst}\n")).contains("at least 8"));
    assert!(refused("0.1,3,,,,,,\n").contains("burst_j is blank"));
    let rows = |rise: f64| -> String {
        (1..12)
            .map(|i| format!("{},{},{burst}\n", 0.1 * f64::from(i), rise / f64::from(i)))
            .collect()
    };
    assert!(refused(&rows(-5.0)).contains("do not rise"));
}
