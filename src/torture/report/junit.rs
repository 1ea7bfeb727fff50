//! JUnit XML: one test case for each stage, regression token and kind of failure.
//!
//! There is no standard; this keeps to what build servers agree on: `testsuites`, `testsuite`,
//! `testcase` with `failure`, `error` or `skipped`, and counts in attributes. `quick-xml` escapes
//! all text.

use anyhow::Context as _;
use outlast_faultsim::report::Outcome as Replayed;
use outlast_faultsim::report::{Verdict, Violation};
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use crate::torture::outcome::Outcome;
use crate::torture::text::verdict;

/// Why a case did not pass: name of the element, short message, long text.
type Trouble = (&'static str, String, String);

struct Case {
    class: &'static str,
    name: String,
    seconds: f64,
    trouble: Option<Trouble>,
}

/// The content of the file until the run is over.
pub(crate) fn unfinished() -> anyhow::Result<String> {
    let message = "the run has not finished, or it was killed".to_owned();
    let trouble = Some(("error", message, String::new()));
    suite("outlast", 0.0, &[Case { class: "run", name: "run".to_owned(), seconds: 0.0, trouble }])
}

/// The result of a run.
pub(crate) fn junit(outcome: &Outcome) -> anyhow::Result<String> {
    let mut cases = Vec::new();
    for rerun in &outcome.regressions {
        let trouble = match rerun.outcome {
            Replayed::PassesNow => None,
            Replayed::Reproduced => Some(("failure", "is back".to_owned(), rerun.sentence.clone())),
            Replayed::Diverged => {
                let message = "the store makes other writes now".to_owned();
                Some(("skipped", message, rerun.sentence.clone()))
            }
        };
        let name = format!("{}: {}", rerun.name, rerun.why);
        cases.push(Case { class: "regression", name, seconds: 0.0, trouble });
    }
    for (number, stage) in (1..).zip(&outcome.stages) {
        let trouble = match stage.verdict {
            Some(Verdict::Clean) => None,
            // Reported below, once for each signature.
            Some(Verdict::Violation) => None,
            Some(Verdict::Incomplete) => {
                Some(("error", "incomplete, which is not a pass".to_owned(), stage.reason.clone()))
            }
            Some(Verdict::BaselineFailed) => {
                Some(("failure", "fails without cuts".to_owned(), stage.reason.clone()))
            }
            None => Some(("skipped", "not started".to_owned(), String::new())),
        };
        let name = format!("stage {number}: {}", stage.description);
        cases.push(Case { class: "stage", name, seconds: stage.seconds, trouble });
    }
    for violation in &outcome.violations {
        let trouble = Some(("failure", violation.sentence.clone(), story(violation, outcome)));
        let name = violation.signature.to_string();
        cases.push(Case { class: "violation", name, seconds: 0.0, trouble });
    }
    let identity = &outcome.identity;
    let name = format!(
        "outlast torture, {} on {}, {}: {}",
        identity.subject,
        identity.geometry,
        identity.level,
        verdict(outcome.verdict)
    );
    suite(&name, outcome.seconds, &cases)
}

fn story(violation: &Violation, outcome: &Outcome) -> String {
    let mut lines = vec![format!("fails at {}", violation.level), "operations:".to_owned()];
    lines.extend(violation.operations.iter().map(|line| format!("  {line}")));
    lines.push("power:".to_owned());
    lines.extend(violation.cut_points.iter().map(|line| format!("  {line}")));
    lines.push(outcome.replay(&violation.token));
    lines.join("\n")
}

/// Without the characters that XML 1.0 cannot express, which are most control characters.
fn printable(text: &str) -> String {
    let is_fine = |c: &char| !c.is_control() || *c == '\n' || *c == '\t';
    text.chars().filter(is_fine).filter(|c| !matches!(c, '\u{FFFE}' | '\u{FFFF}')).collect()
}

fn suite(name: &str, seconds: f64, cases: &[Case]) -> anyhow::Result<String> {
    let count = |kind: &str| {
        let is = |case: &&Case| case.trouble.as_ref().is_some_and(|trouble| trouble.0 == kind);
        cases.iter().filter(is).count().to_string()
    };
    let whole = [
        ("name", printable(name)),
        ("tests", cases.len().to_string()),
        ("failures", count("failure")),
        ("errors", count("error")),
        ("skipped", count("skipped")),
        ("time", format!("{seconds:.3}")),
    ];
    let element = |tag: &'static str, attributes: &[(&str, String)]| {
        let attributes = attributes.iter().map(|(name, value)| (*name, value.as_str()));
        BytesStart::new(tag).with_attributes(attributes)
    };
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
    let mut write = |event: Event<'_>| writer.write_event(event).context("cannot make XML of it");
    write(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    write(Event::Start(element("testsuites", &whole)))?;
    write(Event::Start(element("testsuite", &whole)))?;
    for case in cases {
        let attributes = [
            ("classname", format!("outlast.{}", case.class)),
            ("name", printable(&case.name)),
            ("time", format!("{:.3}", case.seconds)),
        ];
        let start = element("testcase", &attributes);
        let Some((kind, message, text)) = &case.trouble else {
            write(Event::Empty(start))?;
            continue;
        };
        write(Event::Start(start))?;
        write(Event::Start(element(kind, &[("message", printable(message))])))?;
        write(Event::Text(BytesText::new(&printable(text))))?;
        write(Event::End(BytesEnd::new(*kind)))?;
        write(Event::End(BytesEnd::new("testcase")))?;
    }
    write(Event::End(BytesEnd::new("testsuite")))?;
    write(Event::End(BytesEnd::new("testsuites")))?;
    let text = String::from_utf8(writer.into_inner()).context("cannot make XML of it")?;
    Ok(text + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_text_stays_text() {
        let nasty = "<a href=\"x\">&\u{1b}[0m ]]> 'q'".to_owned();
        let case = Case {
            class: "violation",
            name: nasty.clone(),
            seconds: 0.0,
            trouble: Some(("failure", nasty.clone(), nasty.clone())),
        };
        let text = suite(&nasty, 1.0, &[case]).unwrap();
        // Read back by the parser, which is independent of the writer.
        let mut reader = quick_xml::Reader::from_str(&text);
        let mut names = Vec::new();
        loop {
            match reader.read_event().unwrap() {
                Event::Eof => break,
                Event::Start(start) => {
                    let name = String::from_utf8(start.name().as_ref().to_vec()).unwrap();
                    names.push(name);
                    for attribute in start.attributes() {
                        let _ = attribute.unwrap().unescape_value().unwrap();
                    }
                }
                _ => {}
            }
        }
        assert_eq!(names, ["testsuites", "testsuite", "testcase", "failure"]);
        assert!(!text.contains('\u{1b}') && !text.contains("<a"), "{text}");
        assert!(text.contains("failures=\"1\" errors=\"0\""), "{text}");
    }
}
