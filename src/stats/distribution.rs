//! Tail probabilities and quantiles, each computed in the tail where it keeps
//! its digits.
//!
//! Not a catalogue: the normal, t, F, chi-squared and beta functions the
//! other files need. Chi-squared quantiles are absent on purpose (the library
//! below is wrong in their low tail): one degree of freedom is `z²`, and more
//! are never needed as quantiles.

use statrs::function::beta::{beta_reg, ln_beta};
use statrs::function::erf::erfc_inv;
use statrs::function::factorial::ln_binomial;
use statrs::function::gamma::{gamma_ur, ln_gamma};
use std::f64::consts::{PI, SQRT_2};

/// Below this a probability is treated as this, so that logarithms stay
/// finite.
pub(crate) const TINY: f64 = 1e-300;

/// P(Z ≤ z) for a standard normal Z.
///
/// Not by the error function of `statrs`, which keeps only ten digits.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / SQRT_2)
}

/// P(Z ≤ z) and P(Z > z), each with its own digits.
pub(crate) fn normal_sides(z: f64) -> (f64, f64) {
    let tail = normal_cdf(-z.abs());
    if z > 0.0 { (1.0 - tail, tail) } else { (tail, 1.0 - tail) }
}

/// P(a < Z ≤ b), without cancellation in either tail.
pub(crate) fn normal_between(a: f64, b: f64) -> f64 {
    if a > 0.0 {
        normal_cdf(-a) - normal_cdf(-b)
    } else {
        normal_cdf(b) - normal_cdf(a)
    }
}

/// Density of the standard normal at `z`.
pub(crate) fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// The `p` quantile of the standard normal, polished by one Newton step.
pub(crate) fn normal_quantile(p: f64) -> f64 {
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    let z = -SQRT_2 * erfc_inv(2.0 * p);
    let density = normal_density(z);
    if !z.is_finite() || density < TINY {
        return z;
    }
    z - (normal_cdf(z) - p) / density
}

/// P(|T| ≥ |t|) with `df` degrees of freedom.
pub(crate) fn t_two_sided(t: f64, df: f64) -> f64 {
    if !t.is_finite() {
        return if t.is_nan() { f64::NAN } else { 0.0 };
    }
    beta_reg(df / 2.0, 0.5, df / (df + t * t))
}

/// The value a T with `df` degrees of freedom exceeds with probability
/// `tail`, for `tail` in (0, 0.5].
pub(crate) fn t_upper(tail: f64, df: f64) -> f64 {
    let excess = |t: f64| 2.0 * tail - t_two_sided(t, df);
    let mut high = 1.0;
    while excess(high) < 0.0 && high < 1e300 {
        high *= 2.0;
    }
    root_between(0.0, high, excess)
}

/// P(F ≥ f) with (`df1`, `df2`) degrees of freedom.
pub(crate) fn f_upper(f: f64, df1: f64, df2: f64) -> f64 {
    if f.is_nan() {
        return f64::NAN;
    }
    if f <= 0.0 {
        return 1.0;
    }
    if f.is_infinite() {
        return 0.0;
    }
    beta_reg(df2 / 2.0, df1 / 2.0, df2 / (df2 + df1 * f))
}

/// The value an F exceeds with probability `tail`.
pub(crate) fn f_reach(tail: f64, df1: f64, df2: f64) -> f64 {
    let excess = |f: f64| tail - f_upper(f, df1, df2);
    let mut high = 1.0;
    while excess(high) < 0.0 && high < 1e300 {
        high *= 2.0;
    }
    root_between(0.0, high, excess)
}

/// P(F ≥ f) for a noncentral F: central ones weighted as a Poisson count.
pub(crate) fn noncentral_f_upper(
    f: f64,
    df1: f64,
    df2: f64,
    noncentrality: f64,
) -> f64 {
    if f <= 0.0 {
        return 1.0;
    }
    let half = noncentrality.max(0.0) / 2.0;
    let x = df1 * f / (df1 * f + df2);
    let (mut sum, mut seen, mut j) = (0.0, 0.0, 0.0);
    // Weights by logarithm: with a large centre the first ones vanish.
    while seen < 1.0 - 1e-12 && j < 10_000.0 {
        let weight = (times_ln(j, half) - half - ln_gamma(j + 1.0)).exp();
        sum += weight * beta_reg(df1 / 2.0 + j, df2 / 2.0, x);
        seen += weight;
        j += 1.0;
    }
    (1.0 - sum).clamp(0.0, 1.0)
}

/// P(X ≥ x) for a chi-squared X.
pub(crate) fn chi_squared_upper(x: f64, df: f64) -> f64 {
    if x.is_nan() || df <= 0.0 {
        return f64::NAN;
    }
    if x <= 0.0 {
        return 1.0;
    }
    if x.is_infinite() {
        return 0.0;
    }
    gamma_ur(df / 2.0, x / 2.0)
}

/// The `p` quantile of a beta distribution.
pub(crate) fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    root_between(0.0, 1.0, |x| beta_reg(a, b, x) - p)
}

/// ln P(K = k) for K binomial of `n` with fraction `p`; −∞ where impossible.
pub(crate) fn ln_binomial_probability(k: u32, n: u32, p: f64) -> f64 {
    let (k_real, left) = (f64::from(k), f64::from(n - k));
    ln_binomial(u64::from(n), u64::from(k))
        + times_ln(k_real, p)
        + times_ln(left, 1.0 - p)
}

/// ln P(K = k) for K beta-binomial of `n` with shape `a`, `b`.
pub(crate) fn ln_beta_binomial_probability(
    k: u32,
    n: u32,
    a: f64,
    b: f64,
) -> f64 {
    ln_binomial(u64::from(n), u64::from(k))
        + ln_beta(f64::from(k) + a, f64::from(n - k) + b)
        - ln_beta(a, b)
}

/// `count · ln(p)` with `0 · ln 0 = 0`.
pub(crate) fn times_ln(count: f64, p: f64) -> f64 {
    if count == 0.0 { 0.0 } else { count * p.ln() }
}

/// Where a function that changes sign once between `low` and `high` is zero.
///
/// False position with the Illinois rule, falling back to halving, until the
/// bracket is as narrow as numbers allow. Rising or falling alike.
pub(crate) fn root_between(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    root_within(low, high, 0.0, f)
}

/// The same to within `off`.
pub(crate) fn root_within(
    low: f64,
    high: f64,
    off: f64,
    f: impl Fn(f64) -> f64,
) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 || fa.signum() == fb.signum() && fa.abs() <= fb.abs() {
        return a;
    }
    if fb == 0.0 || fa.signum() == fb.signum() {
        return b;
    }
    for step in 0..400 {
        let middle = a + (b - a) / 2.0;
        let chord = b - fb * (b - a) / (fb - fa);
        let inside = chord > a.min(b) && chord < a.max(b);
        let c = if step % 3 == 2 || !inside { middle } else { chord };
        let fc = f(c);
        if fc == 0.0 {
            return c;
        }
        if fc.signum() == fb.signum() {
            fa *= 0.5;
        } else {
            (a, fa) = (b, fb);
        }
        (b, fb) = (c, fc);
        let width = (b - a).abs();
        if width <= off.max(2.0 * f64::EPSILON * b.abs()) || width < 1e-300 {
            break;
        }
    }
    b
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values given or exactly representable")]
mod tests {
    use super::*;

    fn close(what: &str, got: f64, expected: f64, relative: f64) {
        let off = (got - expected).abs() / expected.abs();
        assert!(off < relative, "{what}: got {got}, expected {expected}");
    }

    // Every expected value below: scipy 1.17.1 (computed).

    #[test]
    fn normal_quantiles_and_tails_keep_their_digits() {
        for (p, z) in [
            (1e-6, -4.753_424_308_822_899),
            (0.001, -3.090_232_306_167_813),
            (0.3, -0.524_400_512_708_040_9),
        ] {
            close("quantile", normal_quantile(p), z, 1e-12);
            close("mirror", normal_quantile(1.0 - p), -z, 1e-9);
        }
        for (a, b, p) in [
            (8.0, 9.0, 6.219_831_985_865_787e-16),
            (-9.0, -8.0, 6.219_831_985_865_787e-16),
            (-1.0, 1.0, 0.682_689_492_137_085_9),
            (37.0, 38.0, 5.725_571_222_523_927e-300),
        ] {
            close("between", normal_between(a, b), p, 1e-11);
        }
    }

    #[test]
    fn t_and_f_tails_keep_their_digits() {
        for (t, df, p) in [
            (2.0, 17.0, 0.061_738_606_530_119_24),
            (12.7, 1.0, 0.050_024_327_689_344_165),
            (50.0, 3.0, 1.761_715_204_127_197e-5),
            (1e-3, 5.0, 0.999_240_786_772_197_6),
        ] {
            close("t", t_two_sided(t, df), p, 1e-11);
        }
        for (tail, df, t) in [
            (0.025, 17.0, 2.109_815_577_833_317),
            (0.025, 1.0, 12.706_204_736_174_705),
            (0.0005, 4.0, 8.610_301_581_379_275),
            (0.025, 1000.0, 1.962_339_080_826_408_5),
            (0.25, 2.0, 0.816_496_580_927_726_1),
        ] {
            close("t quantile", t_upper(tail, df), t, 1e-11);
        }
        for (f, df1, df2, p) in [
            (3.441_827_051, 1.0, 17.0, 0.080_990_684_369_073_85),
            (0.02, 3.0, 8.0, 0.995_841_216_996_660_4),
            (40.0, 2.0, 4.0, 0.002_267_573_696_145_124_3),
            (500.0, 5.0, 30.0, 6.240_854_751_577_192e-28),
        ] {
            close("F", f_upper(f, df1, df2), p, 1e-11);
        }
    }

    #[test]
    fn chi_squared_tails_keep_their_digits() {
        for (x, df, p) in [
            (16.792_940_99, 1.0, 4.168_809_107_613_359e-5),
            (0.001, 1.0, 0.974_772_879_369_960_4),
            (1e-8, 1.0, 0.999_920_211_544_052_6),
            (3.3, 2.0, 0.192_049_908_620_754_05),
            (200.0, 5.0, 2.840_622_898_641_553_4e-41),
            (0.01, 4.0, 0.999_987_541_588_645_8),
        ] {
            close("chi-squared", chi_squared_upper(x, df), p, 1e-11);
        }
    }

    #[test]
    fn beta_quantiles_keep_their_digits_in_both_tails() {
        for (p, a, b, x) in [
            (0.025, 1.0, 12.0, 0.002_107_593_231_860_226_4),
            (1e-9, 0.5, 20.0, 3.976_381_106_972_144e-20),
            (0.5, 200.0, 3.0, 0.986_784_140_794_766_6),
            (0.025, 3000.0, 2000.0, 0.586_385_053_626_810_7),
        ] {
            close("beta", beta_quantile(p, a, b), x, 1e-10);
        }
    }

    #[test]
    fn binomial_probabilities_stay_finite_at_the_ends() {
        assert_eq!(ln_binomial_probability(0, 5, 0.0), 0.0);
        assert_eq!(ln_binomial_probability(1, 5, 0.0), f64::NEG_INFINITY);
        assert!(ln_binomial_probability(5, 5, 1.0).abs() < 1e-12);
        for (k, n, a, b, expected) in [
            (0, 20, 2.0, 6.0, -2.816_263_785_742_442_4),
            (7, 20, 0.5, 0.5, -3.427_614_707_034_803_3),
            (30, 30, 9.0, 1.0, -1.466_337_068_793_427_2),
        ] {
            let got = ln_beta_binomial_probability(k, n, a, b);
            close("beta-binomial", got, expected, 1e-10);
        }
    }

    #[test]
    fn a_root_at_an_end_and_a_falling_function_are_found() {
        assert_eq!(root_between(0.0, 3.0, |x| x), 0.0);
        let root = root_between(0.0, 10.0, |x| 2.0 - x * x);
        assert!((root - SQRT_2).abs() < 1e-14, "{root}");
    }
}
