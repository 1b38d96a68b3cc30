//! Numbers as people read them.

/// A number with thousands set apart by commas and `decimals` decimals.
fn grouped(x: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", x.abs());
    let (whole, rest) = text.split_at(text.find('.').unwrap_or(text.len()));
    let mut out = String::new();
    for (place, digit) in whole.chars().enumerate() {
        if place > 0 && (whole.len() - place) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    let zero = out.chars().chain(rest.chars()).all(|c| matches!(c, '0' | ',' | '.'));
    let sign = if x < 0.0 && !zero { "-" } else { "" };
    format!("{sign}{out}{rest}")
}

/// Hectares with about three figures: whole above 100, one decimal above 1, two below.
pub fn hectares(x: f64) -> String {
    if !x.is_finite() {
        return "not known".to_string();
    }
    let decimals = match x.abs() {
        a if a >= 99.95 || a == 0.0 => 0,
        a if a >= 0.995 => 1,
        _ => 2,
    };
    grouped(x, decimals)
}

/// Percent: whole from 10 up, one decimal below; "more than 0" is never shown as 0.
pub fn percent(x: f64) -> String {
    if x > 0.0 && x < 0.05 {
        return "under 0.1".to_string();
    }
    grouped(x, if x.abs() >= 9.95 || x == 0.0 { 0 } else { 1 })
}

/// A number of a table: four figures, plain where that stays short, else with a power of ten.
pub(crate) fn cell(x: f64) -> String {
    if x == 0.0 {
        return "0".to_string();
    }
    if !x.is_finite() {
        return String::new();
    }
    let size = x.abs();
    if !(1e-4..1e12).contains(&size) {
        return format!("{x:.3e}");
    }
    let figures_left = size.log10().floor() as i32 + 1;
    let decimals = (4 - figures_left).clamp(0, 8) as usize;
    let text = grouped(x, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// A short number for an axis or a legend: up to four figures, no trailing zeros.
pub(crate) fn axis(x: f64) -> String {
    cell((x * 1e6).round() / 1e6)
}

/// A round step (1, 2 or 5 times a power of ten) that divides `span` into at most `most` parts.
pub(crate) fn round_step(span: f64, most: usize) -> f64 {
    let rough = span / most.max(1) as f64;
    if !rough.is_finite() || rough <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf(rough.log10().floor());
    let lead = rough / power;
    // A hair of slack, since 10f64.powf is not exact.
    let lead = [1.0, 2.0, 5.0].into_iter().find(|step| lead <= step * (1.0 + 1e-9)).unwrap_or(10.0);
    lead * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_as_people_write_them() {
        let ha = [0.0, 0.004, 0.5, 1.0, 12.34, 99.96, 1234.4, 1234567.0, -3.0, -0.001];
        let expected = ["0", "0.00", "0.50", "1.0", "12.3", "100", "1,234", "1,234,567", "-3.0", "0.00"];
        assert_eq!(ha.map(hectares), expected);
        assert_eq!(hectares(f64::NAN), "not known");
        assert_eq!(
            [0.0, 0.01, 0.5, 9.96, 34.4, 100.0].map(percent),
            ["0", "under 0.1", "0.5", "10", "34", "100"]
        );
        assert_eq!(
            [0.0, 0.00001234, 0.123456, 12.0, 1234.56, 123456.0, -2.5].map(cell),
            ["0", "1.234e-5", "0.1235", "12", "1,235", "123,456", "-2.5"]
        );
    }

    #[test]
    fn steps_are_round_and_few() {
        assert_eq!(round_step(10.0, 5), 2.0);
        assert_eq!(round_step(0.9, 5), 0.2);
        assert_eq!(round_step(1000.0, 4), 500.0);
        assert_eq!(round_step(0.0, 4), 1.0);
        for (span, most) in [(7.3, 4), (123.0, 6), (0.02, 3)] {
            let step = round_step(span, most);
            assert!(span / step <= most as f64 + 1e-9, "{span} {most} {step}");
        }
    }
}
