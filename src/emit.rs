//! A history as the source of a test, to be kept with the code it is about.

use std::path::Path;

use crate::replay::Story;

/// A file with one test that fails as long as the history reproduces.
pub(crate) fn test(story: &Story, program: Option<&Path>) -> String {
    let mut text = String::new();
    let mut comment = |line: &str| {
        // Whatever is in it stays in the comment.
        let line: String = line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        text.push_str(format!("// {line}").trim_end());
        text.push('\n');
    };
    let identity = &story.identity;
    comment(&format!("{}: {}", identity.subject, story.breach.headline()));
    comment(&format!("On {}, level {}.", identity.geometry, identity.level));
    if !story.sentence.is_empty() {
        comment(&format!("{}.", story.sentence));
    }
    for (title, lines) in [("Operations:", &story.operations), ("Power:", &story.cut_points)] {
        comment(title);
        lines.iter().for_each(|line| comment(&format!("  {line}")));
    }
    let subject = match program {
        Some(path) => format!(
            "let program = std::path::Path::new({:?});\n    \
             let subject = outlast_faultsim::subjects::program::Program::start(program)\n        \
             .expect(\"a program that can be put under the rig\");",
            path.display().to_string()
        ),
        None => format!(
            "let subject = outlast_faultsim::subjects::by_name({:?})\n        \
             .expect(\"storage code of this name; or put your own `Subject` here\");",
            identity.subject
        ),
    };
    // By name the subject is a trait object already.
    let import = match program {
        Some(_) => "use outlast_faultsim::subjects::AnySubject as _;\n",
        None => "",
    };
    let name = name(&identity.subject, story);
    let token = &story.token;
    format!(
        "{text}//
// Add `outlast-faultsim` to the dev-dependencies.

{import}use outlast_faultsim::token::{{Outcome, Token}};

#[test]
fn {name}() {{
    let token: Token = \"{token}\"
        .parse()
        .expect(\"a token of this version of the rig\");
    {subject}
    let replay = subject.replay(&token);
    if replay.outcome == Outcome::Diverged {{
        eprintln!(\"the code writes other things now, so this shows nothing: record a new token\");
    }}
    assert_ne!(
        replay.outcome,
        Outcome::Reproduced,
        \"{{}}\\n{{:#?}}\\n{{:#?}}\",
        replay.sentence,
        replay.operations,
        replay.cut_points
    );
}}
"
    )
}

/// A name for the test: storage code, kind of failure, and the end of the token.
fn name(subject: &str, story: &Story) -> String {
    let end: String = story.token.chars().rev().take(6).collect();
    let end: String = end.chars().rev().collect();
    let words = format!("{subject} {:?} {end}", story.breach);
    let name: String = words
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' })
        .collect();
    // A name must not begin with a digit.
    if name.starts_with(|c: char| c.is_ascii_digit()) { format!("of_{name}") } else { name }
}
