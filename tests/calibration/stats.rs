//! Regression, quantiles, outliers and uncertainty against published values.

use foilwright::kerf::stats::*;

/// Digits in which `got` agrees with the certified value.
fn digits(got: f64, certified: f64) -> f64 {
    -((got - certified) / certified).abs().max(1e-16).log10()
}
fn near(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} within {tolerance}"
    );
}
fn line(x: &[f64]) -> Vec<Vec<f64>> {
    x.iter().map(|x| vec![1.0, *x]).collect()
}

// NIST StRD, linear regression, Norris (lower difficulty).
#[test]
fn nist_norris() {
    let yx = [
        (0.1, 0.2),
        (338.8, 337.4),
        (118.1, 118.2),
        (888.0, 884.6),
        (9.2, 10.1),
        (228.1, 226.5),
        (668.5, 666.3),
        (998.5, 996.3),
        (449.1, 448.6),
        (778.9, 777.0),
        (559.2, 558.2),
        (0.3, 0.4),
        (0.1, 0.6),
        (778.1, 775.5),
        (668.8, 666.9),
        (339.3, 338.0),
        (448.9, 447.5),
        (10.8, 11.6),
        (557.7, 556.0),
        (228.3, 228.1),
        (998.0, 995.8),
        (888.8, 887.6),
        (119.6, 120.2),
        (0.3, 0.3),
        (0.6, 0.3),
        (557.6, 556.8),
        (339.3, 339.1),
        (888.0, 887.2),
        (998.5, 999.0),
        (778.9, 779.0),
        (10.2, 11.1),
        (117.6, 118.3),
        (228.9, 229.2),
        (668.4, 669.1),
        (449.2, 448.9),
        (0.2, 0.5),
    ];
    let (y, x): (Vec<f64>, Vec<f64>) = yx.into_iter().unzip();
    let fit = least_squares(&line(&x), &y).unwrap();
    for (got, certified) in [
        (fit.coefficients[0], -0.262323073774029),
        (fit.coefficients[1], 1.00211681802045),
        (fit.se(0), 0.232818234301152),
        (fit.se(1), 0.000429796848199937),
        (fit.residual_sd, 0.884796396144373),
        (fit.residual_sum_of_squares, 26.6173985294224),
        (fit.r_squared(&y), 0.999993745883712),
    ] {
        assert!(digits(got, certified) >= 11.0, "{got} {certified}");
    }
}

// NIST StRD, NoInt1: line through the origin (average difficulty).
#[test]
fn nist_noint1() {
    let rows: Vec<Vec<f64>> = (60..=70).map(|x| vec![f64::from(x)]).collect();
    let y: Vec<f64> = (130..=140).map(f64::from).collect();
    let fit = least_squares(&rows, &y).unwrap();
    for (got, certified) in [
        (fit.coefficients[0], 2.07438016528926),
        (fit.se(0), 0.0165289256198347),
        (fit.residual_sd, 3.56753034006338),
    ] {
        assert!(digits(got, certified) >= 12.0, "{got} {certified}");
    }
}

// NIST StRD, Pontius: quadratic, load cell calibration (lower difficulty).
#[test]
fn nist_pontius() {
    let runs = [
        [
            0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292,
            1.09146, 1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392,
            2.06128, 2.16844,
        ],
        [
            0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300,
            1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445,
            2.06177, 2.16829,
        ],
    ];
    let rows: Vec<Vec<f64>> = (0..40)
        .map(|i| 150_000.0 * f64::from(i % 20 + 1))
        .map(|x| vec![1.0, x, x * x])
        .collect();
    let y: Vec<f64> = runs.concat();
    let fit = least_squares(&rows, &y).unwrap();
    for (got, certified) in [
        (fit.coefficients[0], 0.673565789473684E-03),
        (fit.coefficients[1], 0.732059160401003E-06),
        (fit.coefficients[2], -0.316081871345029E-14),
        (fit.residual_sd, 0.205177424076185E-03),
        (fit.r_squared(&y), 0.999999900178537),
    ] {
        assert!(digits(got, certified) >= 10.0, "{got} {certified}");
    }
}

// NIST StRD, Longley: six predictors, nearly dependent (higher difficulty).
#[test]
fn nist_longley() {
    let data: [[f64; 7]; 16] = [
        [60323., 83.0, 234289., 2356., 1590., 107608., 1947.],
        [61122., 88.5, 259426., 2325., 1456., 108632., 1948.],
        [60171., 88.2, 258054., 3682., 1616., 109773., 1949.],
        [61187., 89.5, 284599., 3351., 1650., 110929., 1950.],
        [63221., 96.2, 328975., 2099., 3099., 112075., 1951.],
        [63639., 98.1, 346999., 1932., 3594., 113270., 1952.],
        [64989., 99.0, 365385., 1870., 3547., 115094., 1953.],
        [63761., 100.0, 363112., 3578., 3350., 116219., 1954.],
        [66019., 101.2, 397469., 2904., 3048., 117388., 1955.],
        [67857., 104.6, 419180., 2822., 2857., 118734., 1956.],
        [68169., 108.4, 442769., 2936., 2798., 120445., 1957.],
        [66513., 110.8, 444546., 4681., 2637., 121950., 1958.],
        [68655., 112.6, 482704., 3813., 2552., 123366., 1959.],
        [69564., 114.2, 502601., 3931., 2514., 125368., 1960.],
        [69331., 115.7, 518173., 4806., 2572., 127852., 1961.],
        [70551., 116.9, 554894., 4007., 2827., 130081., 1962.],
    ];
    let rows: Vec<Vec<f64>> = data
        .iter()
        .map(|r| std::iter::once(1.0).chain(r[1..].iter().copied()).collect())
        .collect();
    let y: Vec<f64> = data.iter().map(|r| r[0]).collect();
    let fit = least_squares(&rows, &y).unwrap();
    let certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910E-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807E-01,
        1829.15146461355,
    ];
    for (got, certified) in fit.coefficients.iter().zip(certified) {
        assert!(digits(*got, certified) >= 9.0, "{got} {certified}");
    }
    assert!(digits(fit.residual_sd, 304.854073561965) >= 10.0);
    assert!(digits(fit.r_squared(&y), 0.995479004577296) >= 10.0);
}

// GUM (JCGM 100:2008) example H.3, calibration of a thermometer; more digits recomputed from its data.
#[test]
fn gum_h3() {
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
    ];
    let x: Vec<f64> = t.iter().map(|t| t - 20.0).collect();
    let fit = least_squares(&line(&x), &b).unwrap();
    near(fit.coefficients[0], -0.171204, 5e-7);
    near(fit.se(0), 0.002878, 5e-7);
    near(fit.coefficients[1], 0.0021827, 5e-8);
    near(fit.se(1), 0.000668, 5e-7);
    near(fit.residual_sd, 0.0034976, 5e-8);
    near(
        fit.covariance[0][1] / (fit.se(0) * fit.se(1)),
        -0.930430,
        5e-7,
    );
    let (at30, u) = fit.predict(&[1.0, 10.0]);
    near(at30, -0.149377, 5e-7);
    near(u, 0.004139, 5e-7);
}

// Student's t, two-sided 95 % and 99 %: any statistical table; six digits recomputed in 40-digit arithmetic.
#[test]
fn student_t_table() {
    let inf = f64::INFINITY;
    for (nu, p95, p99) in [
        (1.0, 12.706205, 63.656741),
        (2.0, 4.302653, 9.924843),
        (3.0, 3.182446, 5.840909),
        (4.0, 2.776445, 4.604095),
        (5.0, 2.570582, 4.032143),
        (6.0, 2.446912, 3.707428),
        (7.0, 2.364624, 3.499483),
        (8.0, 2.306004, 3.355387),
        (9.0, 2.262157, 3.249836),
        (10.0, 2.228139, 3.169273),
        (15.0, 2.131450, 2.946713),
        (20.0, 2.085963, 2.845340),
        (30.0, 2.042272, 2.749996),
        (inf, 1.959964, 2.575829),
    ] {
        near(t_two_sided(0.95, nu), p95, 6e-7);
        near(t_two_sided(0.99, nu), p99, 6e-7);
    }
}

// NIST/SEMATECH e-Handbook 1.3.5.17.3, Rosner's 54 values (from memory): three outliers at 5 %, though the
// first two steps alone would find none.
#[test]
fn rosner_example() {
    let y = [
        -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58,
        1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15,
        2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21,
        3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
    ];
    let rows = vec![vec![1.0]; y.len()];
    assert_eq!(outliers(&rows, &y, 0.05).unwrap(), [51, 52, 53]);
}

// GUM 4.3.7 and G.4.1 (Welch-Satterthwaite); the sum worked by hand.
#[test]
fn combined_uncertainty() {
    let inf = f64::INFINITY;
    let part = |u, degrees_of_freedom| Contribution {
        u,
        degrees_of_freedom,
    };
    let c = combine(&[part(0.0487, 6.0), part(0.05, inf), part(0.06, inf)]);
    near(c.u, 0.0920418, 5e-8);
    near(c.effective_dof, 76.56, 5e-3);
    near(Contribution::rectangular(0.3).u, 0.173205, 5e-7);
}

#[test]
fn impossible_fits_are_refused() {
    assert!(matches!(
        least_squares(&line(&[1.0, 2.0]), &[1.0, 2.0]),
        Err(StatsError::TooFew { .. })
    ));
    assert_eq!(
        least_squares(&line(&[3.0; 5]), &[1.0; 5]),
        Err(StatsError::Alike)
    );
    assert_eq!(
        least_squares(&line(&[1.0, 2.0, f64::NAN]), &[1.0; 3]),
        Err(StatsError::NotFinite)
    );
    assert!(matches!(
        least_squares(&[], &[]),
        Err(StatsError::TooFew { .. })
    ));
}
