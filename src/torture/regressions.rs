//! Regression tokens: tokens of fixed bugs, which are kept with the code and replayed first.
//!
//! Each has a file `NAME.token`. Lines that begin with `#` say why it is kept; one other line is
//! the token.

use std::path::Path;

use outlast_faultsim::history::{Token, TokenError};
use outlast_faultsim::report::Outcome;
use outlast_faultsim::subjects::AnySubject;
use serde::Serialize;

/// The default folder.
pub(crate) const DEFAULT_FOLDER: &str = "tests/regressions";

/// A regression token.
#[derive(Clone, Debug)]
pub(crate) struct Regression {
    /// The name of the file, without its extension.
    pub(crate) name: String,
    /// Why it is kept.
    pub(crate) why: String,
    /// The token as in the file.
    text: String,
    /// `None` if another version of the rig made it.
    token: Option<Token>,
}

/// The result of replaying it.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Rerun {
    pub(crate) name: String,
    pub(crate) why: String,
    pub(crate) token: String,
    pub(crate) outcome: Outcome,
    /// What is wrong, or why the history could not be followed; otherwise empty.
    pub(crate) sentence: String,
}

/// All tokens of a folder that are for this store, sorted by name.
pub(crate) fn read(folder: &Path, subject: &str) -> Result<Vec<Regression>, String> {
    let cannot = |error| format!("--regressions {}: {error}", folder.display());
    let mut list = Vec::new();
    for entry in folder.read_dir().map_err(cannot)? {
        let path = entry.map_err(cannot)?.path();
        if path.extension().is_none_or(|end| end != "token") {
            continue;
        }
        let text = std::fs::read_to_string(&path)
            .map_err(|error| format!("{}: {error}", path.display()))?;
        let regression = parse(&path, &text).map_err(|why| format!("{}: {why}", path.display()))?;
        // A token of another version does not show its store, so it is kept and reported.
        if regression.token.as_ref().is_none_or(|token| token.subject == subject) {
            list.push(regression);
        }
    }
    list.sort_by(|one, other| one.name.cmp(&other.name));
    Ok(list)
}

fn parse(path: &Path, text: &str) -> Result<Regression, String> {
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    let (comments, tokens): (Vec<&str>, Vec<&str>) = lines.partition(|line| line.starts_with('#'));
    let why: Vec<&str> = comments.iter().map(|line| line.trim_start_matches('#').trim()).collect();
    let why = why.join(" ");
    if why.is_empty() {
        return Err("a line that begins with '#' has to say why the token is kept".to_owned());
    }
    let [token] = tokens.as_slice() else {
        return Err(format!("there must be one token, but there are {} lines", tokens.len()));
    };
    let text = (*token).to_owned();
    let token = match token.parse() {
        Ok(token) => Some(token),
        Err(TokenError::Unknown) => None,
        Err(why) => return Err(why.to_string()),
    };
    let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    Ok(Regression { name, why, text, token })
}

impl Regression {
    pub(crate) fn rerun(&self, subject: &dyn AnySubject) -> Rerun {
        let (outcome, sentence) = match &self.token {
            Some(token) => {
                let replay = subject.replay(token);
                (replay.outcome, replay.sentence)
            }
            None => (Outcome::Diverged, TokenError::Unknown.to_string()),
        };
        let Self { name, why, text, .. } = self.clone();
        Rerun { name, why, token: text, outcome, sentence }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_say_why() {
        let path = Path::new("somewhere/torn-erase.token");
        let why = |text| parse(path, text).map(|_| ()).unwrap_err();
        assert!(why("").contains("why the token is kept"));
        assert!(why("# once seen\n").contains("but there are 0 lines"));
        assert!(why("# once seen\na\nb\n").contains("but there are 2 lines"));
        assert!(why("# once seen\ncut2-aaaa\n").contains("damaged"));
    }
}
