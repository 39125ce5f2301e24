//! Leak-down of a closed rail: how fast pressure falls, by which law, and with what time constant.
//!
//! Four laws are fitted (see [`Leaking`]; each with a liquid of constant stiffness and one that stiffens)
//! and weighed by their evidence. Where the recording tells them apart, one of them has all the weight;
//! where it does not, results are means over the laws and their differences are part of the budget.
//!
//! What comes first may follow no law at all, and somebody may open the rail before the recording ends: the
//! record is used from where and until when it follows one (see `part`).

mod choice;
mod law;
mod part;

pub use law::Leaking;

use crate::reason::{Signal, Unmeasured};
use crate::series::{
    check_columns, check_finite, check_not_clipped, check_not_frozen, check_positive, noise_sd, resolution,
    spacing_s,
};
use crate::shape::{inflation, thinned};
use crate::stats::mean;
use crate::uncertainty::{Input, Measured};
use choice::{Choice, Told};
use law::{Fitted, Law};

/// Fewest samples of a leak-down.
pub const SAMPLES_MIN: usize = 30;

/// A time constant is only stated when the rate exceeds this many of its standard uncertainties: below,
/// its reciprocal has no symmetrical interval that holds what it says.
pub const RATE_UNCERTAINTIES_MIN: f64 = 8.0;

/// The laws are told apart when one has this share of the evidence.
pub const DECIDED_SHARE: f64 = 0.95;

/// Stiffening of a liquid of which nothing is known, 1/Pa: K rises by 8 to 12 times the pressure, over 1.1
/// to 1.6 GPa (n-dodecane: 11 over 1.1 GPa; common practice).
const STIFFENING_PER_PA: Input = Input::new(8.0e-9, 2.0e-9);

/// Share that stiffening has beforehand where nothing is known of it: less than half, because what is too
/// little to be seen is left out by whoever states one modulus.
const STIFFENING_SHARE: f64 = 0.3;

/// Shares of the record that may be left out at its beginning, tried in turn.
const LEFT_OUT: [f64; 6] = [0.02, 0.05, 0.1, 0.2, 0.35, 0.5];

/// Largest misfit as a share of the fall, before the recording is taken for something else. A pressure that falls
/// evenly to nothing, which no leak does, is 3.7 to 4.1 % from the nearest of the laws.
const MISFIT_SHARE_MAX: f64 = 0.03;

/// A pressure that rises by so many standard uncertainties of its rate is no leak-down.
const RISES_BY_MAX: f64 = 5.0;

/// The laws are believed to this share of the start pressure at best.
const BELIEVED_SHARE: f64 = 1.0e-6;

/// Longer recordings are averaged in groups to this many samples.
const SAMPLES_MAX: usize = 2_000;

/// A closed rail left to itself.
#[derive(Clone, Copy, Debug)]
pub struct LeakDown<'a> {
    /// Time, s, rising. Missing samples do no harm.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// Rise of bulk modulus with pressure over the modulus at zero gauge, 1/Pa (about 8e-9 for
    /// diesel-like oil; 0 for constant stiffness); `None` when it is not known.
    pub stiffening_per_pa: Option<Input>,
    /// Volume of the rail and everything connected to it, m3; only for the leak as a volume flow.
    pub volume_m3: Option<Input>,
    /// Bulk modulus of the liquid at zero gauge pressure, Pa; only for the leak as a volume flow.
    pub liquid_modulus_pa: Option<Input>,
    /// True pressure over reported pressure, about 1.
    pub gain: Input,
    /// Standard uncertainty of the pressure zero, Pa.
    pub zero_u_pa: f64,
}

impl<'a> LeakDown<'a> {
    /// A recording made elsewhere, of which no more is known than its columns.
    #[must_use]
    pub fn recorded(
        time_s: &'a [f64],
        pressure_pa: &'a [f64],
        volume_m3: Option<Input>,
        liquid_modulus_pa: Option<Input>,
    ) -> LeakDown<'a> {
        LeakDown {
            time_s,
            pressure_pa,
            stiffening_per_pa: None,
            volume_m3,
            liquid_modulus_pa,
            gain: Input::exact(1.0),
            zero_u_pa: 0.0,
        }
    }
}

/// What a leak-down tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Leak {
    /// Rate of fall at [`Leak::from_s`], Pa/s, positive when pressure falls (`leak_rate`).
    pub rate_pa_per_s: Measured,
    /// The leak there as a volume of liquid at that pressure, m3/s: rate V/K, K as it is there by each law.
    pub rate_m3_per_s: Result<Measured, Unmeasured>,
    /// Time constant, s (`time_constant`). With a known stiffening: that of a laminar leak towards zero
    /// gauge pressure. Otherwise pressure over rate at [`Leak::from_s`], which is the time constant of
    /// an exponential, and a fair equivalent as long as the record does not show that it is none.
    /// An orifice that is known for one has no time constant.
    pub time_constant_s: Result<Measured, Unmeasured>,
    /// Pressure at [`Leak::from_s`], Pa gauge.
    pub start_pa: Measured,
    /// The law with most evidence.
    pub leaking: Leaking,
    /// Share of the evidence that this kind of leak has, 0.5 to 1.
    pub leaking_share: f64,
    /// From where on the recording follows the law, s on its own time axis; the first sample unless
    /// something else was going on at first.
    pub from_s: f64,
    /// Until when it does, s; the last sample unless the rail was opened before.
    pub to_s: f64,
    /// The fitted pressure at every sample from there to there, Pa gauge.
    pub curve_pa: Vec<f64>,
}

impl Leak {
    /// Whether the fall can be told from none at all, with 95 % confidence.
    #[must_use]
    pub fn is_told(&self) -> bool {
        self.rate_pa_per_s.value > self.rate_pa_per_s.expanded_uncertainty()
    }

    /// The rate of fall, Pa/s, that is not exceeded with 95 % confidence; never below zero.
    #[must_use]
    pub fn rate_most_pa_per_s(&self) -> f64 {
        most(self.rate_pa_per_s.value, self.rate_pa_per_s.standard_uncertainty()).max(0.0)
    }
}

/// What a value of a standard uncertainty does not exceed with 95 % confidence: of a normal distribution 5 %
/// lie beyond 1.645 standard deviations.
fn most(value: f64, standard_uncertainty: f64) -> f64 {
    value + 1.645 * standard_uncertainty
}

/// Fits the leak-down laws to a recording.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`],
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::Clipped`], [`Unmeasured::Frozen`]; [`Unmeasured::NotReached`] when there is no
/// pressure to lose; [`Unmeasured::Motionless`] for a pressure that never changes at all;
/// [`Unmeasured::NoFit`] when the pressure rises or falls in another way; [`Unmeasured::Emptied`] when the rail
/// was opened too soon.
pub fn leak_down(record: &LeakDown<'_>) -> Result<Leak, Unmeasured> {
    check_columns(record.time_s, record.pressure_pa, SAMPLES_MIN)?;
    spacing_s(record.time_s)?;
    check_not_clipped(record.time_s, record.pressure_pa, Signal::Pressure)?;
    check_not_frozen(record.time_s, record.pressure_pa, Signal::Pressure)?;
    check_positive("the pressure gain", record.gain.value)?;
    let stiffening = record.stiffening_per_pa.unwrap_or(Input::exact(0.0));
    check_finite(&[stiffening.value, stiffening.standard_uncertainty, record.zero_u_pa])?;
    let samples = Samples::of(record)?;
    match samples.weighed(record) {
        Ok(fits) => results(record, &samples, &fits),
        // Of a long record only groups were looked at; what came before the rail was opened may be long enough.
        Err(Unmeasured::Emptied { at_s, needed, .. }) if samples.time_s.len() < record.time_s.len() => {
            let group = record.time_s.len().div_ceil(samples.time_s.len());
            let to = record.time_s.partition_point(|t| *t < at_s).saturating_sub(group);
            if to < SAMPLES_MIN {
                return Err(Unmeasured::Emptied { at_s, found: to, needed });
            }
            let (time_s, pressure_pa) = (&record.time_s[..to], &record.pressure_pa[..to]);
            leak_down(&LeakDown { time_s, pressure_pa, ..*record })
        }
        Err(why) => Err(why),
    }
}

/// The part of the record that is fitted.
#[derive(Clone)]
struct Samples {
    time_s: Vec<f64>,
    pressure_pa: Vec<f64>,
    sample_u_pa: f64,
    resolution_pa: f64,
}

/// Fitted laws, best first, with their shares of the evidence.
#[derive(Clone)]
struct Fits {
    all: Vec<(Fitted, f64)>,
    /// Standard deviation of a sample, likeness of neighbours included.
    u_pa: f64,
    degrees: f64,
    from_s: f64,
    to_s: f64,
    /// Standard uncertainty of the rate where the record follows no law to within its noise, Pa/s.
    misfit_pa_per_s: f64,
}

impl Samples {
    fn of(record: &LeakDown<'_>) -> Result<Samples, Unmeasured> {
        let pressure_pa = thinned(record.pressure_pa, SAMPLES_MAX);
        let tenth = (pressure_pa.len() / 10).max(1);
        let start_pa = mean(&pressure_pa[..tenth]);
        let needed_pa = 10.0 * record.zero_u_pa;
        if start_pa <= needed_pa {
            return Err(Unmeasured::NotReached { reached_pa: start_pa, needed_pa });
        }
        if record.pressure_pa.iter().all(|p| *p == record.pressure_pa[0]) {
            return Err(Unmeasured::Motionless { signal: Signal::Pressure });
        }
        let resolution_pa = resolution(record.pressure_pa);
        let sample_u_pa = noise_sd(&pressure_pa).max(BELIEVED_SHARE * start_pa);
        if start_pa < 5.0 * sample_u_pa {
            return Err(Unmeasured::NotReached { reached_pa: start_pa, needed_pa: 5.0 * sample_u_pa });
        }
        Ok(Samples { time_s: thinned(record.time_s, SAMPLES_MAX), pressure_pa, sample_u_pa, resolution_pa })
    }

    fn negligible_pa(&self) -> f64 {
        0.1 * self.sample_u_pa
    }

    /// The laws fitted to the samples `from..to`.
    fn fits(&self, record: &LeakDown<'_>, from: usize, to: usize) -> Result<Fits, Unmeasured> {
        let (first_s, last_s) = (record.time_s[0], record.time_s[record.time_s.len() - 1]);
        let from_s = if from == 0 { first_s } else { self.time_s[from] };
        let to_s = if to == self.time_s.len() { last_s } else { self.time_s[to - 1] };
        let elapsed_s: Vec<f64> = self.time_s[from..to].iter().map(|t| t - from_s).collect();
        let pressure_pa = &self.pressure_pa[from..to];
        let known = match record.stiffening_per_pa {
            Some(stiffening) => vec![stiffening],
            None => vec![Input::exact(0.0), STIFFENING_PER_PA],
        };
        let laws = [Leaking::Laminar, Leaking::Orifice]
            .into_iter()
            .flat_map(|leaking| known.iter().map(move |stiffening| Law { leaking, stiffening: *stiffening }));
        let laws: Vec<Law> = laws.collect();
        let start = first_guess(&elapsed_s, pressure_pa);
        // What is known beforehand weighs as much as it should beside samples that scatter by as much as they turn out
        // to: by their differences first, then by what is left over, likeness of neighbours included.
        let first = fitted(&laws, &elapsed_s, pressure_pa, start, self.sample_u_pa)?;
        let scatter = Scatter::of(&first, start[0]);
        let all = fitted(&laws, &elapsed_s, pressure_pa, start, scatter.u_pa)?;
        let Scatter { u_pa, inflated, degrees } = Scatter::of(&all, start[0]);
        let mut all: Vec<(Fitted, f64)> = all
            .into_iter()
            .map(|fit| {
                let stiffens = fit.law.stiffening.standard_uncertainty > 0.0;
                let before = match record.stiffening_per_pa {
                    Some(_) => 0.5,
                    None if stiffens => 0.5 * STIFFENING_SHARE,
                    None => 0.5 * (1.0 - STIFFENING_SHARE),
                };
                let evidence = fit.log_evidence(u_pa) + f64::ln(before);
                (fit, evidence)
            })
            .collect();
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        let most = all[0].1;
        let total: f64 = all.iter().map(|(_, evidence)| (evidence - most).exp()).sum();
        for (_, share) in &mut all {
            *share = (*share - most).exp() / total;
        }
        Ok(Fits { all, u_pa, degrees: (degrees / inflated).max(1.0), from_s, to_s, misfit_pa_per_s: 0.0 })
    }
}

/// Every law that can be fitted, best first.
fn fitted(
    laws: &[Law],
    elapsed_s: &[f64],
    pressure_pa: &[f64],
    start: [f64; 2],
    sample_u_pa: f64,
) -> Result<Vec<Fitted>, Unmeasured> {
    let mut last = Unmeasured::NoFit { curve: "leak-down", why: "no law has a minimum" };
    let mut all = Vec::new();
    for law in laws {
        match law.fit(elapsed_s, pressure_pa, start, sample_u_pa) {
            Ok(fit) => all.push(fit),
            Err(why) => last = why,
        }
    }
    all.sort_by(|a, b| a.squares.total_cmp(&b.squares));
    if all.is_empty() { Err(last) } else { Ok(all) }
}

/// How much samples scatter about the best law.
struct Scatter {
    /// Standard deviation, likeness of neighbours included, Pa.
    u_pa: f64,
    /// What that likeness makes of the variance of a mean.
    inflated: f64,
    /// Degrees of freedom as if neighbours were independent.
    degrees: f64,
}

impl Scatter {
    /// About the first of some fits; there is one.
    fn of(all: &[Fitted], start_pa: f64) -> Scatter {
        let residuals = all.first().map_or(&[][..], |best| best.residuals.as_slice());
        let inflated = inflation(residuals);
        let degrees = (residuals.len() as f64 - 2.0).max(1.0);
        let squares: f64 = residuals.iter().map(|r| r * r).sum();
        Scatter {
            u_pa: (squares / degrees * inflated).sqrt().max(BELIEVED_SHARE * start_pa),
            inflated,
            degrees,
        }
    }
}

/// Start pressure and rate of the exponential that joins the first tenth with what is half way down.
fn first_guess(elapsed_s: &[f64], pressure_pa: &[f64]) -> [f64; 2] {
    let n = pressure_pa.len();
    let tenth = (n / 10).max(1);
    let start_pa = mean(&pressure_pa[..tenth]);
    let least_pa = 0.3 * start_pa;
    // The last tenth-long stretch that is still well above zero.
    let to = (tenth..=n).rev().step_by(tenth).find(|to| mean(&pressure_pa[to - tenth..*to]) > least_pa);
    let to = to.unwrap_or(n).max((2 * tenth).min(n));
    let end_pa = mean(&pressure_pa[to - tenth..to]).max(0.05 * start_pa);
    let span_s = elapsed_s[to - 1] * (1.0 - tenth as f64 / to as f64).max(0.1);
    let per_s = if span_s > 0.0 { (start_pa / end_pa).ln() / span_s } else { 0.0 };
    [start_pa * (0.5 * per_s * elapsed_s[tenth - 1]).exp(), per_s * start_pa]
}

impl Fits {
    /// Start rate, the mean over the laws, as reported, Pa/s.
    fn rate_pa_per_s(&self) -> f64 {
        self.all.iter().map(|(fit, share)| share * fit.parameters[1]).sum()
    }

    /// Whether the rate can be told from none by the scatter of the samples.
    fn leaks(&self) -> bool {
        let best = &self.all[0].0;
        let (scatter, _) = best.variances([0.0, 1.0, 0.0], self.u_pa);
        best.parameters[1] > 2.0 * scatter.sqrt()
    }

    fn share(&self, leaking: Leaking) -> f64 {
        self.all.iter().filter(|(fit, _)| fit.law.leaking == leaking).map(|(_, share)| share).sum()
    }

    /// What the laws that `counts` make of a quantity, given with its derivatives.
    fn choice(&self, counts: impl Fn(&Fitted) -> bool, of: impl Fn(&Fitted) -> (f64, [f64; 3])) -> Choice {
        let told = |(fit, share): &(Fitted, f64)| {
            let (value, by) = of(fit);
            let (scatter, stiffening) = fit.variances(by, self.u_pa);
            Told { share: *share, value, scatter_u: scatter.sqrt(), stiffening_u: stiffening.sqrt() }
        };
        Choice::new(self.all.iter().filter(|(fit, _)| counts(fit)).map(told).collect(), self.degrees)
    }
}

fn results(record: &LeakDown<'_>, samples: &Samples, fits: &Fits) -> Result<Leak, Unmeasured> {
    let best = &fits.all[0].0;
    let from = samples.time_s.partition_point(|t| *t < fits.from_s);
    let to = samples.time_s.partition_point(|t| *t <= fits.to_s);
    let elapsed_s: Vec<f64> = samples.time_s[from..to].iter().map(|t| t - fits.from_s).collect();
    let length_s = elapsed_s[elapsed_s.len() - 1];

    // Rounding by a quiet recorder does not average out: either end may be off by half a step.
    let quiet = samples.sample_u_pa < 0.5 * samples.resolution_pa;
    let rounding_pa = if quiet { samples.resolution_pa / 12.0_f64.sqrt() } else { 0.0 };
    let rounding_pa_per_s = 2.0_f64.sqrt() * rounding_pa / length_s;
    // A zero that is wrong moves the whole record: the best law again.
    let raised = if record.zero_u_pa > 0.0 {
        let raised_pa: Vec<f64> =
            samples.pressure_pa[from..to].iter().map(|p| p + record.zero_u_pa).collect();
        let start = [best.parameters[0] + record.zero_u_pa, best.parameters[1]];
        best.law.fit(&elapsed_s, &raised_pa, start, samples.sample_u_pa)?
    } else {
        best.clone()
    };
    // A quantity with its derivatives, of the laws that count, with all that is uncertain but what it alone has.
    let told = |counts: &dyn Fn(&Fitted) -> bool, of: &dyn Fn(&Fitted) -> (f64, [f64; 3])| {
        let choice = fits.choice(counts, of);
        let by = of(best).1;
        let measured = choice
            .measured()
            .with_given(
                "resolution of the recorder",
                1.0,
                (by[0] * rounding_pa).hypot(by[1] * rounding_pa_per_s),
            )
            .with_given("pressure zero", 1.0, of(&raised).0 - of(best).0);
        (choice, measured.with_given("misfit of the law", by[1], fits.misfit_pa_per_s))
    };
    let gain = record.gain;
    let any = |_: &Fitted| true;
    let with_gain = |(choice, measured): (Choice, Measured)| {
        let by_gain = measured.value * gain.relative_uncertainty();
        choice.chosen(measured.with_given("pressure gain", 1.0, by_gain))
    };
    let rate_pa_per_s =
        with_gain(told(&any, &|fit| (gain.value * fit.parameters[1], [0.0, gain.value, 0.0])));
    let start_pa = with_gain(told(&any, &|fit| (gain.value * fit.parameters[0], [gain.value, 0.0, 0.0])));
    let u_rate = rate_pa_per_s.standard_uncertainty();
    let rate = rate_pa_per_s.value;
    if rate < -RISES_BY_MAX * u_rate {
        let why = "the pressure rises; something pushes or heats";
        return Err(Unmeasured::NoFit { curve: "leak-down", why });
    }
    // What follows no law and is not even known to fall.
    if fits.misfit_pa_per_s > 0.0 && rate <= rate_pa_per_s.expanded_uncertainty() {
        return Err(part::ANOTHER_WAY);
    }

    let leaking = best.law.leaking;
    let leaking_share = fits.share(leaking);
    let time_constant_s = if rate < RATE_UNCERTAINTIES_MIN * u_rate {
        let most = most(rate, u_rate);
        let longer_than_s = if most > 0.0 { start_pa.value / most } else { 0.0 };
        let found = (rate / u_rate).max(0.0);
        Err(Unmeasured::TooSlow { found, needed: RATE_UNCERTAINTIES_MIN, longer_than_s })
    } else if leaking == Leaking::Orifice && leaking_share > DECIDED_SHARE {
        let why = "pressure falls as through a hole, by the square root of what is left, and not by the same \
                   share of it every second";
        Err(Unmeasured::NoTimeConstant { why })
    } else {
        let laminar = |fit: &Fitted| fit.law.leaking == Leaking::Laminar;
        let (choice, measured) = if record.stiffening_per_pa.is_some() {
            told(&laminar, &Fitted::time_at_zero_s)
        } else {
            told(&any, &Fitted::time_at_start_s)
        };
        Ok(choice.chosen(measured))
    };
    let rate_m3_per_s = per_modulus(record).map(|(m3_per_pa, volume, modulus)| {
        let (choice, measured) = told(&any, &|fit| {
            let (value, by) = fit.rate_over_stiffness(gain.value);
            (m3_per_pa * value, by.map(|by| m3_per_pa * by))
        });
        let flow = measured.value;
        choice.chosen(
            measured
                .with_given("pressure gain", flow, gain.relative_uncertainty())
                .with_given("rail volume", flow, volume.relative_uncertainty())
                .with_given("bulk modulus", flow, modulus.relative_uncertainty()),
        )
    });
    let used_s = &record.time_s[record.time_s.partition_point(|t| *t < fits.from_s)
        ..record.time_s.partition_point(|t| *t <= fits.to_s)];
    Ok(Leak {
        rate_m3_per_s,
        rate_pa_per_s,
        time_constant_s,
        start_pa,
        leaking,
        leaking_share,
        from_s: fits.from_s,
        to_s: fits.to_s,
        curve_pa: used_s.iter().map(|t| best.law.pressure(&best.parameters, t - fits.from_s)).collect(),
    })
}

/// What turns a rate of fall into a leak: V/K at zero gauge pressure, m3/Pa, of the volume and the modulus
/// (closed chamber, dp/dt = (K/V) q; Merritt, Hydraulic Control Systems, 1967, from memory).
fn per_modulus(record: &LeakDown<'_>) -> Result<(f64, Input, Input), Unmeasured> {
    let what_to_do = "give it to turn the rate of fall into a leak";
    let volume =
        record.volume_m3.ok_or(Unmeasured::NotGiven { name: "the volume of the rail", what_to_do })?;
    let modulus = record
        .liquid_modulus_pa
        .ok_or(Unmeasured::NotGiven { name: "the liquid's bulk modulus", what_to_do })?;
    check_positive("the rail volume in m3", volume.value)?;
    check_positive("the liquid's bulk modulus in Pa", modulus.value)?;
    Ok((volume.value / modulus.value, volume, modulus))
}
