//! Numbers as recorders write them: with a point or, throughout a file, with a comma.

/// Reads the numbers of one file and remembers which decimal sign it has.
#[derive(Debug, Default)]
pub(crate) struct Numbers {
    /// The lines of the first number with a point, and of the first with a comma.
    point: Option<u64>,
    comma: Option<u64>,
    /// A comma has been seen that can part no thousands.
    surely_decimal: bool,
}

impl Numbers {
    /// One number.
    pub(crate) fn read(&mut self, field: &str, line: u64) -> Result<f64, String> {
        if field.is_empty() {
            return Err("there is nothing here; leave rows out whose values are missing".to_owned());
        }
        let number = match (field.contains(','), field.contains('.')) {
            (true, true) => {
                return Err(format!(
                    "“{field}” holds both a comma and a point; write numbers without thousands separators"
                ));
            }
            (true, false) => {
                self.comma.get_or_insert(line);
                self.surely_decimal |= !may_part_thousands(field);
                field.replacen(',', ".", 1).parse()
            }
            (false, point) => {
                if point {
                    self.point.get_or_insert(line);
                }
                field.parse()
            }
        };
        if let (Some(point), Some(comma)) = (self.point, self.comma) {
            return Err(format!(
                "“{field}”: some numbers have a decimal point (line {point}), others a comma (line {comma}); \
                 write all of them one way"
            ));
        }
        let number: f64 = number.map_err(|_| format!("“{field}” is no number"))?;
        if number.is_finite() { Ok(number) } else { Err(format!("“{field}” is not a finite number")) }
    }

    /// After the last: commas that may all part thousands say nothing sure.
    pub(crate) fn check(&self) -> Result<(), String> {
        match self.comma {
            Some(line) if !self.surely_decimal => Err(format!(
                "the commas in the numbers (first in line {line}) can be decimal signs or part thousands; \
                 write points"
            )),
            _ => Ok(()),
        }
    }
}

/// Whether the comma may part thousands: one to three digits before it, not beginning with 0, and three
/// after.
fn may_part_thousands(field: &str) -> bool {
    let unsigned = field.trim_start_matches(['+', '-']);
    unsigned.split_once(',').is_some_and(|(before, after)| {
        (1..=3).contains(&before.len()) && !before.starts_with('0') && after.len() == 3
    })
}

/// What one step of the last digit of a number is worth: 0.01 for `3.14`, 100 for `2.7e3`.
pub(crate) fn last_digit(number: &str) -> f64 {
    let (digits, exponent) = number.split_once(['e', 'E']).unwrap_or((number, "0"));
    let decimals = digits.split_once(['.', ',']).map_or(0, |(_, decimals)| decimals.len());
    10.0_f64.powi(exponent.parse::<i32>().unwrap_or(0) - decimals as i32)
}

#[cfg(test)]
mod tests {
    use super::last_digit;

    #[test]
    fn the_last_digit_is_worth_its_place() {
        for (number, worth) in [("3.14", 0.01), ("12", 1.0), ("2.7e3", 100.0), ("-0,5", 0.1), ("1E-3", 0.001)]
        {
            assert!((last_digit(number) / worth - 1.0).abs() < 1e-12, "{number}");
        }
    }
}
