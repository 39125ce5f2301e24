//! Numbers as people write them, and as they like to read them: decimal signs, digits, places. No
//! units here.

use super::NotAQuantity;

/// Splits a text into what looks like a number and the rest.
pub(super) fn split(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let digits_from = |mut at: usize| {
        while bytes.get(at).is_some_and(u8::is_ascii_digit) {
            at += 1;
        }
        at
    };
    let sign = usize::from(text.starts_with(['+', '-']));
    let sign = if text.starts_with('\u{2212}') { '\u{2212}'.len_utf8() } else { sign };
    let mut end = digits_from(sign);
    if end == sign {
        return ("", text);
    }
    while matches!(bytes.get(end), Some(b'.' | b',')) {
        end = digits_from(end + 1);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = end + 1 + usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        if digits_from(sign) > sign {
            end = digits_from(sign);
        }
    }
    (&text[..end], text[end..].trim_start())
}

/// The number that `digits` mean, when they mean one only.
pub(super) fn read(digits: &str, rest: &str) -> Result<f64, NotAQuantity> {
    let grouped = rest.trim_start_matches(['\'', '’', '_', ' ']);
    let per_something = grouped.starts_with("1/");
    if !per_something && grouped.starts_with(|c: char| c.is_ascii_digit()) {
        let (more, unit) = split(grouped);
        return Err(NotAQuantity::new(
            format!("\"{digits} {rest}\" has a gap in its number"),
            format!("write the number in one piece: \"{}\"", format!("{digits}{more} {unit}").trim_end()),
        ));
    }
    let is_sign = |c: char| matches!(c, '.' | ',');
    let without_signs = |digits: &str| digits.replace(is_sign, "");
    if digits.matches(is_sign).count() > 1 {
        let last = digits.rfind(is_sign).unwrap_or(0);
        let (whole, decimals) = (without_signs(&digits[..last]), &digits[last + 1..]);
        let mixed = digits.contains('.') && digits.contains(',');
        let meant = if mixed { format!("{whole}.{decimals}") } else { format!("{whole}{decimals}") };
        return Err(NotAQuantity::new(
            format!("{digits:?} has more than one decimal sign"),
            format!("write \"{meant} {rest}\" if that is meant: no sign between thousands"),
        ));
    }
    if let Some((whole, decimals)) = digits.split_once(',') {
        let whole_digits = whole.trim_start_matches(['+', '-', '\u{2212}']);
        if decimals.len() == 3 && whole_digits.len() <= 3 && !whole_digits.starts_with('0') {
            return Err(NotAQuantity::new(
                format!("{digits:?} can be read in two ways"),
                format!(
                    "write \"{whole}.{decimals} {rest}\" or \"{whole}{decimals} {rest}\", whichever is meant"
                ),
            ));
        }
    }
    let plain = digits.replace(',', ".").replace('\u{2212}', "-");
    let number: f64 = plain.parse().map_err(|_| {
        NotAQuantity::new(format!("{digits:?} is not a number"), "write it like 1.5 or 1.5e-3".to_owned())
    })?;
    let mantissa = plain.split(['e', 'E']).next().unwrap_or_default();
    let lost = number == 0.0 && mantissa.contains(|c: char| c.is_ascii_digit() && c != '0');
    if !number.is_finite() || lost {
        let how = if lost { "small" } else { "large" };
        return Err(NotAQuantity::new(
            format!("{digits:?} is too {how} to be kept"),
            "check the exponent".to_owned(),
        ));
    }
    Ok(number)
}

/// The power of ten of the first digit after rounding to `digits` significant ones.
pub(super) fn exponent(number: f64, digits: usize) -> i32 {
    let rounded = format!("{number:.*e}", digits - 1);
    rounded.rsplit('e').next().and_then(|exponent| exponent.parse().ok()).unwrap_or(0)
}

fn rounded(number: f64, place: i32) -> f64 {
    let step = 10_f64.powi(place);
    (number / step).round() * step
}

/// The number rounded to the power of ten `place`, never "-0".
pub(super) fn at_place(number: f64, place: i32) -> String {
    let decimals = usize::try_from(-place).unwrap_or(0);
    let number = if place > 0 { rounded(number, place) } else { number };
    let text = format!("{number:.decimals$}");
    let is_zero = !text.contains(|c: char| c.is_ascii_digit() && c != '0');
    if is_zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// At least four significant digits, less trailing zeros; very large and very small numbers with an
/// exponent.
pub(super) fn plain(number: f64) -> String {
    if number == 0.0 {
        return "0".to_owned();
    }
    if !(1e-6..1e9).contains(&number.abs()) {
        return format!("{number:.3e}");
    }
    let text = at_place(number, (exponent(number, 4) - 3).min(0));
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}
