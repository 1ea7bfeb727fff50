//! A history as the source of a test, to keep with the code that it tests.

use std::path::Path;

use outlast_image::sum::crc32;

use super::story::Story;

/// Where the store of a test comes from.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Source<'path> {
    BuiltIn,
    Program(&'path Path),
    /// Not from this command: the user's own `Subject`.
    Own,
}

/// A file with one test that fails as long as the history reproduces.
pub(crate) fn test(story: &Story, source: Source<'_>) -> String {
    let mut text = String::new();
    let mut comment = |line: &str| {
        // Control characters could end the comment.
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
        if !lines.is_empty() {
            comment(title);
        }
        lines.iter().for_each(|line| comment(&format!("  {line}")));
    }
    let subject = match source {
        Source::Own => format!(
            "// Put your own `Subject` here, and then `use outlast_faultsim::subjects::AnySubject as _;` above.\n    \
             let subject = outlast_faultsim::subjects::by_name({:?})\n        \
             .expect(\"your own `Subject` in place of this\");",
            identity.subject
        ),
        Source::Program(path) => format!(
            "let program = std::path::Path::new({:?});\n    \
             let subject = outlast_faultsim::subjects::program::Program::start(program)\n        \
             .expect(\"a program that the rig can test\");",
            // Tests run in the folder of their package, so a relative path would not do.
            std::path::absolute(path).unwrap_or_else(|_| path.to_owned()).display().to_string()
        ),
        Source::BuiltIn => format!(
            "let subject = outlast_faultsim::subjects::by_name({:?})\n        \
             .expect(\"a store of this name; or put your own `Subject` here\");",
            identity.subject
        ),
    };
    // By name, the subject is already a trait object.
    let import = match source {
        Source::Program(_) => "use outlast_faultsim::subjects::AnySubject as _;\n",
        Source::BuiltIn | Source::Own => "",
    };
    let name = name(&identity.subject, story);
    let token = &story.token;
    format!(
        "{text}//
// Add `outlast-faultsim` to the dev-dependencies.

{import}use outlast_faultsim::history::Token;
use outlast_faultsim::report::Outcome;

#[test]
fn {name}() {{
    let token: Token = \"{token}\"
        .parse()
        .expect(\"a token of this version of the rig\");
    {subject}
    let replay = subject.replay(&token);
    if replay.outcome == Outcome::Diverged {{
        eprintln!(\"the store makes other writes now, so this shows nothing: record a new token\");
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

/// A name for the test: store, kind of failure, and a checksum of the token.
fn name(subject: &str, story: &Story) -> String {
    let words = format!("{subject} {:?} {:08x}", story.breach, crc32(story.token.as_bytes()));
    let name: String = words
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' })
        .collect();
    // A name must not begin with a digit.
    if name.starts_with(|c: char| c.is_ascii_digit()) { format!("of_{name}") } else { name }
}
