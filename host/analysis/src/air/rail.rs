//! The volume balance of a closed rail: what pressure a given inflow leads to.
//!
//! Three published ways of writing it differ once there is much air. A *closed rail* keeps its air and
//! takes in liquid: `G = c (1 + pg/Kw - x s)`. The *mixture* formulas for an effective modulus (Wood;
//! Cho, Nykanen, Gholizadeh and others) put into `dp/dt = Ke q/V` take in more of the same mixture:
//! `G = pg/Kw - ln((1 - x)/c + x s)`. Both with `s = (pa/p)^(1/n)` and Murnaghan's
//! `c = (1 + K' pg/K)^(1/K')`. Formulas of a *fixed share* keep the liquid that there was at
//! the start, at pressure ps: `1/Ke = (1 - x pa/ps)/Kl + ...`, `G = (1 - x pa/ps) ln c + pg/Kw - x s`. The form `m`
//! goes in a parabola from the first (0) through the second (1) to the third (2); each tells about x/2 less
//! air than the one before, relatively.

/// What a rail is made of. The derivatives of [`Node`] follow the order of the third to seventh field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rail {
    pub(super) atmosphere_pa: f64,
    /// Absolute, where the rise begins.
    pub(super) start_pa: f64,
    pub(super) air: f64,
    pub(super) gas_exponent: f64,
    pub(super) modulus_pa: f64,
    pub(super) modulus_slope: f64,
    pub(super) form: f64,
    pub(super) per_wall_pa: f64,
}

/// Quantities of the rail that a fit may move.
pub(super) const QUANTITIES: usize = 5;

/// G and its derivatives at one pressure.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Node {
    pub(super) p_pa: f64,
    pub(super) g: f64,
    pub(super) by_p: f64,
    pub(super) by: [f64; QUANTITIES],
}

impl Rail {
    /// The balance at absolute pressure `p_pa`.
    pub(super) fn at(&self, p_pa: f64) -> Node {
        let (x, n, k) = (self.air, self.gas_exponent, self.modulus_pa);
        let gauge_pa = p_pa - self.atmosphere_pa;
        let over_atmosphere = (p_pa / self.atmosphere_pa).ln();
        let s = (-over_atmosphere / n).exp();
        let (s_by_p, s_by_n) = (-s / (n * p_pa), s * over_atmosphere / (n * n));

        let z = gauge_pa / k;
        let stiffer = 1.0 + self.modulus_slope * z;
        let (ln_c, ln_c_by_slope) = if (self.modulus_slope * z).abs() < 1.0e-5 {
            (z - 0.5 * self.modulus_slope * z * z, -0.5 * z * z)
        } else {
            let ln_c = stiffer.ln() / self.modulus_slope;
            (ln_c, (z / stiffer - ln_c) / self.modulus_slope)
        };
        let c = ln_c.exp();
        let (ln_c_by_p, ln_c_by_modulus) = (1.0 / (k * stiffer), -z / (k * stiffer));

        let volume = 1.0 + gauge_pa * self.per_wall_pa - x * s;
        let closed = c * volume;
        let liquid = (1.0 - x) / c;
        let gas = x * s;
        let mixture = liquid + gas;
        let mixed = gauge_pa * self.per_wall_pa - mixture.ln();

        let squeezed = self.atmosphere_pa / self.start_pa;
        let kept = 1.0 - x * squeezed;
        let fixed = kept * ln_c + gauge_pa * self.per_wall_pa - gas;

        let m = self.form;
        let of_three = |closed: f64, mixed: f64, fixed: f64| {
            0.5 * (m - 1.0) * (m - 2.0) * closed + m * (2.0 - m) * mixed + 0.5 * m * (m - 1.0) * fixed
        };
        let by_ln_c = of_three(closed, liquid / mixture, kept);
        let by_gas = of_three(-c, -1.0 / mixture, -1.0);
        Node {
            p_pa,
            g: of_three(closed, mixed, fixed),
            by_p: by_ln_c * ln_c_by_p + of_three(c, 1.0, 1.0) * self.per_wall_pa + by_gas * x * s_by_p,
            by: [
                of_three(-c * s, (1.0 / c - s) / mixture, -squeezed * ln_c - s),
                by_gas * x * s_by_n,
                by_ln_c * ln_c_by_modulus,
                by_ln_c * ln_c_by_slope,
                (m - 1.5) * closed + (2.0 - 2.0 * m) * mixed + (m - 0.5) * fixed,
            ],
        }
    }
}

/// Pressure over inflow, tabulated so that a sample costs no logarithm.
///
/// Between nodes, 4 % of pressure apart, a cubic that meets value and slope at both is off by
/// h^4/384 of the fourth derivative: a part in 1e8. Derivatives are joined by straight lines.
#[derive(Debug)]
pub(super) struct Curve {
    nodes: Vec<Node>,
    last: core::cell::Cell<usize>,
}

const NODE_RATIO: f64 = 1.04;

impl Curve {
    /// A table over absolute pressures.
    pub(super) fn new(rail: &Rail, from_pa: f64, to_pa: f64) -> Curve {
        let steps = ((to_pa / from_pa).ln() / NODE_RATIO.ln()).ceil().max(1.0);
        let ratio = (to_pa / from_pa).powf(1.0 / steps);
        let mut p_pa = from_pa;
        let nodes = (0..=steps as usize)
            .map(|_| {
                let node = rail.at(p_pa);
                p_pa *= ratio;
                node
            })
            .collect();
        Curve { nodes, last: core::cell::Cell::new(0) }
    }

    /// The state at which the balance is `g`; beyond the ends of the table as straight as there.
    pub(super) fn at(&self, g: f64) -> Node {
        let nodes = &self.nodes;
        let mut k = self.last.get();
        // Samples come in order: the next one is nearly always next door.
        while k + 2 < nodes.len() && nodes[k + 1].g < g {
            k += 1;
        }
        while k > 0 && nodes[k].g > g {
            k -= 1;
        }
        self.last.set(k);
        let (left, right) = (&nodes[k], &nodes[k + 1]);
        let span = right.g - left.g;
        let t = (g - left.g) / span;
        if t <= 0.0 {
            return Node { p_pa: left.p_pa + (g - left.g) / left.by_p, ..*left };
        }
        if t >= 1.0 {
            return Node { p_pa: right.p_pa + (g - right.g) / right.by_p, ..*right };
        }
        let rest = 1.0 - t;
        let p_pa = rest * rest * (1.0 + 2.0 * t) * left.p_pa
            + t * t * (1.0 + 2.0 * rest) * right.p_pa
            + rest * t * span * (rest / left.by_p - t / right.by_p);
        let share = (p_pa - left.p_pa) / (right.p_pa - left.p_pa);
        let join = |left: f64, right: f64| left + share * (right - left);
        Node {
            p_pa,
            g,
            by_p: join(left.by_p, right.by_p),
            by: core::array::from_fn(|k| join(left.by[k], right.by[k])),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Rail;

    /// Derivatives against differences of the balance itself: central differences of relative width
    /// 1e-5 leave 1e-10 of curvature and 1e-11 of rounding over the step.
    #[test]
    fn derivatives_are_those_of_the_balance() {
        for (modulus_slope, form) in [(0.0, 0.3), (10.5, 0.3), (10.5, 1.6)] {
            let rail = Rail {
                atmosphere_pa: 101_325.0,
                start_pa: 150_000.0,
                air: 0.08,
                gas_exponent: 1.2,
                modulus_pa: 1.4e9,
                modulus_slope,
                form,
                per_wall_pa: 2e-11,
            };
            for p_pa in [0.05e6, 0.101e6, 0.4e6, 3.0e6, 40.0e6] {
                let node = rail.at(p_pa);
                let h = 1.0e-5;
                let by = |moved: &dyn Fn(f64) -> f64, step: f64| (moved(step) - moved(-step)) / (2.0 * step);
                let near = |found: f64, expected: f64, scale: f64| {
                    assert!((found - expected).abs() < 1e-6 * scale, "{found} {expected} at {p_pa}");
                };
                near(node.by_p * p_pa, by(&|d| rail.at(p_pa * (1.0 + d)).g, h), node.by_p * p_pa);
                near(node.by[0], by(&|d| Rail { air: rail.air + d, ..rail }.at(p_pa).g, h), 1.0);
                near(node.by[1], by(&|d| Rail { gas_exponent: 1.2 + d, ..rail }.at(p_pa).g, h), 0.1);
                let stiffer = |d: f64| Rail { modulus_pa: 1.4e9 * (1.0 + d), ..rail }.at(p_pa).g;
                near(node.by[2] * 1.4e9, by(&stiffer, h), 0.1);
                let steeper = |d: f64| Rail { modulus_slope: modulus_slope + d, ..rail }.at(p_pa).g;
                near(node.by[3], by(&steeper, 1e-3), 1e-2);
                near(node.by[4], by(&|d| Rail { form: form + d, ..rail }.at(p_pa).g, h), 1.0);
            }
        }
    }

    /// Effective modulus of a mixture with the liquid's compression, Ke = (vl + vg)/(vl/Kl + vg/(n p)) with
    /// vl = exp(-(p - pa)/Kl), vg = al (pa/p)^(1/n) (the family of Cho, Nykanen, Gholizadeh and others),
    /// Kl 1.4 GPa, evaluated elsewhere: 0.5 % of air isothermal, 1 % adiabatic; printed to 1 kPa.
    #[test]
    fn effective_moduli_are_the_published_ones() {
        let rail = Rail {
            atmosphere_pa: 101_325.0,
            start_pa: 101_325.0,
            air: 0.005,
            gas_exponent: 1.0,
            modulus_pa: 1.4e9,
            modulus_slope: 0.0,
            form: 1.0,
            per_wall_pa: 0.0,
        };
        let adiabatic = Rail { air: 0.01, gas_exponent: 1.4, ..rail };
        let bar = [1.013_25, 5.0, 10.0, 50.0, 100.0, 500.0];
        for (rail, published_mpa) in [
            (rail, [19.977, 363.802, 817.554, 1361.195, 1390.092, 1399.601]),
            (adiabatic, [14.045, 188.234, 472.327, 1245.052, 1348.903, 1396.690]),
        ] {
            for (bar, mpa) in bar.iter().zip(published_mpa) {
                let found_mpa = 1.0e-6 / rail.at(bar * 1.0e5).by_p;
                assert!((found_mpa - mpa).abs() <= 0.51e-3, "{found_mpa} for {mpa}");
            }
        }
        // Wood's form: 1 % of gas at 1 bar, isothermal and adiabatic; a tube in series (Merritt).
        let wood = Rail { atmosphere_pa: 1.0e5, air: 0.01, form: 0.0, ..rail };
        assert!((1.0e-6 / wood.at(1.0e5).by_p - 9.929_782).abs() < 1e-6);
        let wood = Rail { gas_exponent: 1.4, ..wood };
        assert!((1.0e-6 / wood.at(1.0e5).by_p - 13.862_759).abs() < 1e-6);
        let tube = Rail { air: 0.0, form: 0.0, per_wall_pa: 1.0 / 61.5e9, ..rail };
        assert!((1.0e-9 / tube.at(101_325.0).by_p - 1.368_839).abs() < 1e-6);
    }
}
