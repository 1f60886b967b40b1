//! Statistics of readings: least squares, Student's t, outliers, and uncertainty in the manner of the
//! GUM (JCGM 100:2008).

use thiserror::Error;

#[derive(Debug, Error, Clone, PartialEq)]
pub enum StatsError {
    #[error("{readings} readings cannot determine {unknowns} unknowns and their scatter: at least {} are needed", unknowns + 1)]
    TooFew { readings: usize, unknowns: usize },
    #[error("the readings do not separate the unknowns: they are all alike")]
    Alike,
    #[error("a reading is not a finite number")]
    NotFinite,
}

/// A least-squares fit of `y = X b`.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients: residual variance times the inverse of X'X.
    pub covariance: Vec<Vec<f64>>,
    pub residuals: Vec<f64>,
    /// Diagonal of the hat matrix: how far each reading pulls the fit to itself, 0 to 1.
    pub leverages: Vec<f64>,
    pub residual_sum_of_squares: f64,
    pub residual_sd: f64,
    pub degrees_of_freedom: usize,
}

impl Fit {
    /// Standard error of a coefficient.
    pub fn se(&self, i: usize) -> f64 {
        self.covariance[i][i].sqrt()
    }
    /// Half-width of the two-sided interval of a coefficient that holds the truth with probability `p`.
    pub fn half_width(&self, i: usize, p: f64) -> f64 {
        self.se(i) * t_two_sided(p, self.degrees_of_freedom as f64)
    }
    /// The fitted value at `x` and its standard error.
    pub fn predict(&self, x: &[f64]) -> (f64, f64) {
        let value = x.iter().zip(&self.coefficients).map(|(a, b)| a * b).sum();
        let variance: f64 = x
            .iter()
            .zip(&self.covariance)
            .map(|(a, row)| a * row.iter().zip(x).map(|(c, b)| c * b).sum::<f64>())
            .sum();
        (value, variance.max(0.0).sqrt())
    }
    /// Share of the variance about the mean of `y` that the fit explains.
    pub fn r_squared(&self, y: &[f64]) -> f64 {
        let mean = y.iter().sum::<f64>() / y.len() as f64;
        let total: f64 = y.iter().map(|v| (v - mean).powi(2)).sum();
        1.0 - self.residual_sum_of_squares / total
    }
    /// Residual over its own standard deviation, each scaled by its leverage.
    fn studentized(&self, i: usize) -> f64 {
        let free = 1.0 - self.leverages[i];
        if free < 1e-9 || self.residual_sd == 0.0 {
            return 0.0;
        }
        self.residuals[i] / (self.residual_sd * free.sqrt())
    }
}

/// `y - sum(x b)` in twice the working precision (error-free products and sums), rounded once.
fn residual(row: &[f64], b: &[f64], y: f64) -> f64 {
    let (mut high, mut low) = (y, 0.0);
    for (&x, &c) in row.iter().zip(b) {
        let product = -x * c;
        let product_low = libm::fma(-x, c, -product);
        let sum = high + product;
        let back = sum - high;
        low += (high - (sum - back)) + (product - back) + product_low;
        high = sum;
    }
    high + low
}

/// Fits `y` by the columns of `rows`: Householder QR on scaled columns, then refined with residuals
/// in twice the working precision.
///
/// # Errors
/// No more readings than unknowns, columns that depend on each other, or values that are not finite.
#[allow(clippy::needless_range_loop)] // indices read as in the formulas
pub fn least_squares(rows: &[Vec<f64>], y: &[f64]) -> Result<Fit, StatsError> {
    let n = rows.len();
    let p = rows.first().map_or(0, Vec::len);
    if n <= p || p == 0 {
        return Err(StatsError::TooFew {
            readings: n,
            unknowns: p.max(1),
        });
    }
    if !rows.iter().flatten().chain(y).all(|v| v.is_finite()) {
        return Err(StatsError::NotFinite);
    }
    let scale: Vec<f64> = (0..p)
        .map(|j| rows.iter().map(|r| r[j] * r[j]).sum::<f64>().sqrt())
        .collect();
    if scale.contains(&0.0) {
        return Err(StatsError::Alike);
    }
    let mut a: Vec<Vec<f64>> = (0..p)
        .map(|j| rows.iter().map(|r| r[j] / scale[j]).collect())
        .collect();
    // `a` holds the reflectors below the diagonal of R, column by column.
    let mut diagonal = vec![0.0; p];
    for j in 0..p {
        let norm = a[j][j..].iter().map(|v| v * v).sum::<f64>().sqrt();
        if norm < 1e-13 {
            return Err(StatsError::Alike);
        }
        let alpha = if a[j][j] > 0.0 { -norm } else { norm };
        diagonal[j] = alpha;
        a[j][j] -= alpha;
        let (head, tail) = a.split_at_mut(j + 1);
        for column in tail {
            reflect(&head[j][j..], &mut column[j..]);
        }
    }
    let solve = |y: &[f64]| -> Vec<f64> {
        let mut q = y.to_vec();
        for j in 0..p {
            reflect(&a[j][j..], &mut q[j..]);
        }
        let mut b = vec![0.0; p];
        for i in (0..p).rev() {
            let rest: f64 = (i + 1..p).map(|j| a[j][i] * b[j]).sum();
            b[i] = (q[i] - rest) / diagonal[i];
        }
        b.iter().zip(&scale).map(|(b, s)| b / s).collect()
    };
    let mut b = solve(y);
    let rest = |b: &[f64]| -> Vec<f64> {
        rows.iter()
            .zip(y)
            .map(|(r, y)| residual(r, b, *y))
            .collect()
    };
    for _ in 0..3 {
        let correction = solve(&rest(&b));
        for (b, c) in b.iter_mut().zip(correction) {
            *b += c;
        }
    }
    let residuals = rest(&b);
    let rss: f64 = residuals.iter().map(|r| r * r).sum();
    let dof = n - p;
    let variance = rss / dof as f64;
    // Inverse of R, column by column; (X'X)^-1 = R^-1 R^-T.
    let mut inverse = vec![vec![0.0; p]; p];
    for k in 0..p {
        for i in (0..=k).rev() {
            let rest: f64 = (i + 1..=k).map(|j| a[j][i] * inverse[j][k]).sum();
            inverse[i][k] = (f64::from(u8::from(i == k)) - rest) / diagonal[i];
        }
    }
    let covariance = (0..p)
        .map(|i| {
            (0..p)
                .map(|j| {
                    let sum: f64 = (i.max(j)..p).map(|k| inverse[i][k] * inverse[j][k]).sum();
                    variance * sum / (scale[i] * scale[j])
                })
                .collect()
        })
        .collect();
    let leverages = rows
        .iter()
        .map(|row| {
            (0..p)
                .map(|k| {
                    (0..=k)
                        .map(|i| row[i] / scale[i] * inverse[i][k])
                        .sum::<f64>()
                        .powi(2)
                })
                .sum()
        })
        .collect();
    Ok(Fit {
        coefficients: b,
        covariance,
        residuals,
        leverages,
        residual_sum_of_squares: rss,
        residual_sd: variance.sqrt(),
        degrees_of_freedom: dof,
    })
}

/// Householder reflection of `x` in the plane across `v`.
fn reflect(v: &[f64], x: &mut [f64]) {
    let vv: f64 = v.iter().map(|v| v * v).sum();
    let vx: f64 = v.iter().zip(&*x).map(|(a, b)| a * b).sum();
    let f = 2.0 * vx / vv;
    for (x, v) in x.iter_mut().zip(v) {
        *x -= f * v;
    }
}

/// Readings that the search for outliers may look at, each as often as it is looked at.
const MOST_LOOKS: usize = 4_000_000;

/// Readings that do not belong: the generalized extreme Studentized deviate test (Rosner,
/// Technometrics 25, 165, 1983), on residuals scaled by their leverage. At most a fifth of the readings are
/// removed, and of more than some 4,500 readings fewer, since each removal looks at all that are left;
/// `alpha` is the chance of removing any from clean readings. Answers indices, ascending.
///
/// # Errors
/// As [`least_squares`], for the full set.
pub fn outliers(rows: &[Vec<f64>], y: &[f64], alpha: f64) -> Result<Vec<usize>, StatsError> {
    let p = rows.first().map_or(0, Vec::len);
    let mut fit = least_squares(rows, y)?;
    let mut kept: Vec<usize> = (0..rows.len()).collect();
    let (mut removed, mut guilty) = (Vec::new(), 0);
    let most = (rows.len() / 5)
        .min(rows.len().saturating_sub(p + 2))
        .min((MOST_LOOKS / rows.len().max(1)).max(1));
    for _ in 0..most {
        let Some((worst, statistic)) = (0..kept.len())
            .map(|i| (i, fit.studentized(i).abs()))
            .max_by(|a, b| a.1.total_cmp(&b.1))
        else {
            break;
        };
        let nu = fit.degrees_of_freedom as f64;
        let t = t_quantile(1.0 - alpha / (2.0 * kept.len() as f64), nu - 1.0);
        // The largest value an internally studentized residual takes by chance.
        let critical = t * (nu / (nu - 1.0 + t * t)).sqrt();
        removed.push(kept.remove(worst));
        if statistic > critical {
            guilty = removed.len();
        }
        let (r, v): (Vec<_>, Vec<_>) = kept.iter().map(|&i| (rows[i].clone(), y[i])).unzip();
        match least_squares(&r, &v) {
            Ok(next) => fit = next,
            Err(_) => break,
        }
    }
    removed.truncate(guilty);
    removed.sort_unstable();
    Ok(removed)
}

/// One contribution to a combined standard uncertainty: c u, and its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    pub u: f64,
    /// `f64::INFINITY` for knowledge that is not from repeats (type B).
    pub degrees_of_freedom: f64,
}

impl Contribution {
    /// Knowledge that the value lies within plus or minus `half_width`, no place more likely: a / sqrt 3
    /// (GUM 4.3.7).
    pub fn rectangular(half_width: f64) -> Contribution {
        Contribution {
            u: half_width / 3f64.sqrt(),
            degrees_of_freedom: f64::INFINITY,
        }
    }
}

/// Combined standard uncertainty, effective degrees of freedom and expanded 95 % half-width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    pub u: f64,
    pub effective_dof: f64,
    pub coverage_factor: f64,
    pub expanded_95: f64,
}

/// Root of the sum of squares, with the Welch-Satterthwaite formula for the degrees of freedom (GUM G.4.1).
pub fn combine(parts: &[Contribution]) -> Combined {
    let u2: f64 = parts.iter().map(|p| p.u * p.u).sum();
    let loss: f64 = parts
        .iter()
        .map(|p| p.u.powi(4) / p.degrees_of_freedom)
        .sum();
    let effective_dof = if loss > 0.0 {
        u2 * u2 / loss
    } else {
        f64::INFINITY
    };
    let coverage_factor = t_two_sided(0.95, effective_dof);
    Combined {
        u: u2.sqrt(),
        effective_dof,
        coverage_factor,
        expanded_95: coverage_factor * u2.sqrt(),
    }
}

/// The factor that makes a two-sided interval of probability `p` out of a standard error.
pub fn t_two_sided(p: f64, degrees_of_freedom: f64) -> f64 {
    t_quantile(0.5 + p / 2.0, degrees_of_freedom)
}

/// Quantile of Student's t for `0 < p < 1`; degrees of freedom need not be whole, infinity is the normal
/// distribution. Accurate to about 1e-9 relative.
pub fn t_quantile(p: f64, degrees_of_freedom: f64) -> f64 {
    if p < 0.5 {
        return -t_quantile(1.0 - p, degrees_of_freedom);
    }
    let tail = (1.0 - p).max(1e-300);
    let upper = |t: f64| t_upper_tail(t, degrees_of_freedom);
    let (mut lo, mut hi) = (0.0, 1.0);
    while upper(hi) > tail && hi < 1e300 {
        lo = hi;
        hi *= 2.0;
    }
    for _ in 0..200 {
        let mid = 0.5 * (lo + hi);
        if mid <= lo || mid >= hi {
            break;
        }
        if upper(mid) > tail {
            lo = mid;
        } else {
            hi = mid;
        }
    }
    0.5 * (lo + hi)
}

/// Probability that Student's t exceeds `t >= 0`.
pub fn t_upper_tail(t: f64, nu: f64) -> f64 {
    if nu > 1e7 {
        return 0.5 * libm::erfc(t / std::f64::consts::SQRT_2);
    }
    0.5 * incomplete_beta(nu / (nu + t * t), nu / 2.0, 0.5)
}

/// Regularized incomplete beta function I_x(a, b) by its continued fraction (Abramowitz & Stegun 26.5.8),
/// evaluated by the modified Lentz method.
fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return x.clamp(0.0, 1.0);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(1.0 - x, b, a);
    }
    let front = libm::exp(
        a * libm::log(x) + b * libm::log1p(-x) + libm::lgamma(a + b)
            - libm::lgamma(a)
            - libm::lgamma(b),
    ) / a;
    let tiny = 1e-300;
    let guard = |v: f64| if v.abs() < tiny { tiny } else { v };
    let (mut c, mut d) = (1.0, 1.0 / guard(1.0 - (a + b) * x / (a + 1.0)));
    let mut f = d;
    for m in 1..10_000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / guard(1.0 + even * d);
        c = guard(1.0 + even / c);
        f *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / guard(1.0 + odd * d);
        c = guard(1.0 + odd / c);
        f *= d * c;
        if (d * c - 1.0).abs() < 1e-16 {
            break;
        }
    }
    front * f
}
