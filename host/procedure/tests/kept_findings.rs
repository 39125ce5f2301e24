//! Findings as text: what is written reads back, and so does what earlier programs wrote.

use stepwell_analysis::Measured;
use stepwell_procedure::finding::{Finding, Value};

/// A value as the first programs kept it: pairs of name and standard uncertainty, no degrees of freedom.
const FIRST: &str = r#"
id = "id"
step = "step"
label = "label"
dimension = "resistance"
verdict = "pass"
notes = []
check_next = []

[value]
estimate = 3.0
expanded_uncertainty = 0.2
coverage_factor = 2.0
budget = [["gain", 0.08], ["noise", 0.06]]
"#;

#[test]
fn a_finding_of_the_first_programs_is_read() {
    let finding: Finding = toml::from_str(FIRST).unwrap();
    let value = finding.value.unwrap();
    assert_eq!(value.standard_uncertainty(), 0.1);
    assert_eq!((value.degrees_of_freedom, finding.conformity), (None, None));
    let parts: Vec<_> = value.budget.iter().map(|p| (p.name.as_str(), p.standard_uncertainty)).collect();
    assert_eq!(parts, [("gain", 0.08), ("noise", 0.06)]);
    assert!(value.budget.iter().all(|part| part.degrees_of_freedom.is_none()));
}

#[test]
fn a_value_is_read_as_it_was_written() {
    let measured = Measured::new(3.0).with_given("gain", 1.0, 0.08).with_scatter("noise", 0.06, 11.5);
    let value = Value::from(&measured);
    assert_eq!(value.budget[0].degrees_of_freedom, Some(f64::INFINITY));
    assert_eq!(value.budget[1].degrees_of_freedom, Some(11.5));
    let text = serde_json::to_string(&value).unwrap();
    assert!(text.contains(r#""degrees_of_freedom":null"#), "no infinity in JSON: {text}");
    assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), value);
    let exact = Value::from(&Measured::new(3.0));
    let text = serde_json::to_string(&exact).unwrap();
    assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), exact);
}
