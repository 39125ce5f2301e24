//! The same rise seen in several ways, weighed by their evidence.

use super::window::{AIR, FORM, Fitted, Window};
use crate::uncertainty::Input;

/// The three published forms of the balance, one as good as another.
const FORMS: [f64; 3] = [0.0, 1.0, 2.0];

/// What other ways to see the same rise make of the air: added to the value, and in its uncertainty.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Averaged {
    pub(super) more: f64,
    pub(super) u: f64,
}

/// The rise by each form of the balance alone.
pub(super) fn by_form(window: &Window, fit: &Fitted) -> Option<(Window, Fitted, Averaged)> {
    let of = |form: f64| {
        let mut only = window.clone();
        only.known[FORM] = Input::exact(form);
        let mut parameters = fit.parameters;
        parameters[FORM] = form;
        let fit = only.fit(parameters, fit.edge).ok()?;
        Some((only, fit, 0.0))
    };
    averaged(FORMS.into_iter().filter_map(of).collect())
}

/// The best of several fits of the same samples, and what their mean by evidence (and by
/// the logarithm of what spoke for each beforehand) makes of the air.
pub(super) fn averaged(fits: Vec<(Window, Fitted, f64)>) -> Option<(Window, Fitted, Averaged)> {
    let again = |(mut window, fit, ln_before): (Window, Fitted, f64)| {
        window.begin_at(&fit);
        window.fit(fit.parameters, fit.edge).ok().map(|fit| (window, fit, ln_before))
    };
    let mut fits: Vec<(Window, Fitted, f64)> = fits.into_iter().filter_map(again).collect();
    let ln = |(_, fit, ln_before): &(Window, Fitted, f64)| fit.ln_evidence + ln_before;
    fits.sort_by(|a, b| ln(b).total_cmp(&ln(a)));
    let most = ln(fits.first()?);
    let shares: Vec<f64> = fits.iter().map(|fit| (ln(fit) - most).exp()).collect();
    let total: f64 = shares.iter().sum();
    let mean_of = |of: &dyn Fn(&Fitted) -> f64| {
        fits.iter().zip(&shares).map(|((_, fit, _), share)| share * of(fit)).sum::<f64>() / total
    };
    let air = mean_of(&|fit| fit.parameters[AIR]);
    let variance = mean_of(&|fit| fit.air_with[AIR] + (fit.parameters[AIR] - air).powi(2));
    let (window, best, _) = fits.swap_remove(0);
    let u = (variance - best.air_with[AIR]).max(0.0).sqrt();
    let more = air - best.parameters[AIR];
    Some((window, best, Averaged { more, u }))
}
