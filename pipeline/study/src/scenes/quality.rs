//! `[quality]`: rules on the bits or values of a band.

use super::options::{BitsSection, RuleSection};
use super::resolve::Findings;
use super::settings::Rule;
use crate::source::{item, key};

/// Bits of a quality value.
const BITS: u32 = 32;

/// The rules; those that cannot be understood are told and left out.
pub(super) fn rules(findings: &mut Findings<'_>, rules: &[RuleSection]) -> Vec<Rule> {
    if rules.is_empty() {
        let help = "add one, as { bits = [3, 4] }, or take [quality] out";
        findings.problem("quality.rules", "quality.rules is empty".into(), help);
    }
    let rules = rules.iter().enumerate();
    rules.filter_map(|(i, written)| rule(findings, &item("quality.rules", i), written)).collect()
}

fn rule(findings: &mut Findings<'_>, at: &str, written: &RuleSection) -> Option<Rule> {
    let numbers = written.equals.is_some() || written.at_least.is_some();
    match (&written.bits, &written.values) {
        (None, Some(values)) if !numbers && !values.is_empty() => Some(Rule::Values(values.clone())),
        (Some(bits), None) => bits_rule(findings, &key(at, "bits"), bits, written),
        _ => {
            let help = "write { bits = [3, 4] }, { bits = \"5-6\", equals = 3 }, { bits = \"5-6\", at_least = 2 } or { values = [8, 9] }";
            findings.problem(at, format!("{at} is no rule: it needs either bits or values"), help);
            None
        }
    }
}

fn bits_rule(
    findings: &mut Findings<'_>,
    at: &str,
    bits: &BitsSection,
    written: &RuleSection,
) -> Option<Rule> {
    let help = "bits count from 0 (the lowest) to 31; a range is written \"5-6\"";
    let (first, last) = match bits {
        BitsSection::Range(text) => match range(text) {
            Some(range) => range,
            None => {
                findings.problem(at, format!("{at} is {text:?}, which is no range of bits"), help);
                return None;
            }
        },
        BitsSection::List(list) => {
            if let Some(bit) = list.iter().find(|bit| **bit >= BITS) {
                findings.problem(at, format!("{at}: there is no bit {bit}"), help);
                return None;
            }
            if list.is_empty() {
                findings.problem(at, format!("{at} is an empty list"), help);
                return None;
            }
            if written.equals.is_some() || written.at_least.is_some() {
                let message = format!("{at} is a list, but a number is made of a range of bits");
                findings.problem(at, message, "write the first and the last, as bits = \"5-6\"");
                return None;
            }
            return Some(Rule::Any { mask: list.iter().fold(0, |mask, bit| mask | (1 << bit)) });
        }
    };
    let width = last - first + 1;
    let most = u32::MAX >> (BITS - width);
    let (low, high) = match (written.equals, written.at_least) {
        (Some(number), None) => (number, number),
        (None, Some(number)) => (number, most),
        (None, None) => return Some(Rule::Any { mask: most << first }),
        (Some(_), Some(_)) => {
            findings.problem(at, format!("{at} has both equals and at_least"), "keep one");
            return None;
        }
    };
    if low > most {
        let message = format!("{at}: {width} bit(s) make a number up to {most}, never {low}");
        findings.problem(at, message, "name more bits, or a smaller number");
        return None;
    }
    Some(Rule::Number { first, width, low, high })
}

/// "5-6" or "5".
fn range(text: &str) -> Option<(u32, u32)> {
    let bit = |text: &str| text.trim().parse::<u32>().ok().filter(|bit| *bit < BITS);
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    let (first, last) = (bit(first)?, bit(last)?);
    (first <= last).then_some((first, last))
}
