//! Histories written by hand, half of them legal.
//!
//! `a=1` starts a put, `a-` a delete, `a=1,b-` a batch of both, `clear` a factory reset; `ok`,
//! `no` and `cut` end it as done, refused or interrupted. `a?1` reads 1, `a?-` reads absent.
//! `cut` alone is a power cycle without an operation in flight.

use super::{Contradiction, Effect, Oracle, Values};
use crate::subject::{Change, Op};

/// Allowed from the first to the last word.
const LEGAL: [&str; 18] = [
    // Nothing was ever written.
    "a?- cut a?-",
    // Acknowledged values stay.
    "a=1 ok a?1 cut a?1",
    "a=1 ok a=2 ok cut a?2 b?-",
    "a=1 ok a- ok cut a?-",
    "a=1 ok b=2 ok clear ok cut a?- b?-",
    // A refused operation changes nothing.
    "a=1 ok a=2 no cut a?1",
    "a=1,b=1 no cut a?- b?-",
    // An interrupted one may have happened or not.
    "a=1 ok a=2 cut a?1",
    "a=1 ok a=2 cut a?2",
    "a=1 ok a- cut a?-",
    "a=1 ok clear cut a?1",
    // Once seen, it stays so.
    "a=1 ok a=2 cut a?2 cut a?2 cut a?2",
    // All parts of a batch go together.
    "a=1,b=2 cut a?1 b?2",
    "a=1 ok b=1 ok a=2,b- cut b?1 a?1",
    // Two interrupted operations, nothing read in between.
    "a=1 cut b=2 cut a?1 b?-",
    "a=1 cut a=2 cut a?1",
    "a=1 ok a=2 cut a=3 cut cut a?1",
    // A later acknowledged operation ends the doubt about its own setting only.
    "a=1,b=1 cut a=2 ok cut a?2 b?1",
];

/// Allowed up to the last word, which is not.
const ILLEGAL: [&str; 18] = [
    // Values from nowhere.
    "a?1",
    "a=1 ok cut a?2",
    // Acknowledged values must stay.
    "a=1 ok a?-",
    "a=1 ok cut a?-",
    "a=1 ok a=2 ok cut a?1",
    "a=1 ok a- ok cut cut a?1",
    "a=1 ok clear ok cut a?1",
    // A refused operation must not show.
    "a=1 ok a=2 no cut a?2",
    "a=1 no cut a?1",
    // An interrupted one leaves before or after, nothing else.
    "a=1 ok a=2 ok a=3 cut a?1",
    "a=1 ok a- cut a?2",
    // What was reported must not change.
    "a=1 ok a=2 cut a?2 cut a?1",
    "a=1 ok a=2 cut a?1 cut a?2",
    // No half batch and no half reset.
    "a=1,b=2 cut a?1 b?-",
    "a=1 ok b=1 ok clear cut a?- b?1",
    "a=1 ok b=1 ok a=2,b- cut b?- cut a?1",
    // Seeing one change of a batch ends the doubt about all of them.
    "a=1,b=1 cut a?1 a=2 ok cut b?-",
    // A value that was in doubt does not come back after a later acknowledged operation.
    "a=1 cut a=2 ok cut a?1",
];

fn key(word: &str) -> u16 {
    u16::from(word.as_bytes()[0] - b'a')
}

fn change(word: &str) -> Change {
    match word.split_once('=') {
        Some((_, value)) => Change::Put { key: key(word), value: value.into() },
        None => Change::Delete { key: key(word) },
    }
}

/// Runs a history; the index of the word that is not allowed.
fn run(history: &str) -> Result<(), (usize, Contradiction)> {
    let mut values = Values::new();
    let mut oracle = Oracle::new(2);
    for (index, word) in history.split(' ').enumerate() {
        match word {
            "ok" => oracle.ok(),
            "no" => oracle.refused(),
            "cut" => oracle.cut(),
            "clear" => oracle.invoke(&Effect::of(&Op::Clear, &mut values)),
            _ => match word.split_once('?') {
                Some((_, seen)) => {
                    let seen = (seen != "-").then_some(seen.as_bytes());
                    oracle.read(key(word), seen, &values).map_err(|found| (index, found))?;
                }
                None => {
                    let batch = Op::Batch(word.split(',').map(change).collect());
                    oracle.invoke(&Effect::of(&batch, &mut values));
                }
            },
        }
        assert!(!oracle.is_empty());
    }
    Ok(())
}

#[test]
fn legal_histories_pass() {
    for history in LEGAL {
        assert_eq!(run(history), Ok(()), "{history}");
    }
}

#[test]
fn illegal_histories_fail_at_their_last_word() {
    for history in ILLEGAL {
        let last = history.split(' ').count() - 1;
        let (at, _) = run(history).expect_err(history);
        assert_eq!(at, last, "{history}");
    }
}

#[test]
fn contradictions_tell_what_is_struck() {
    let (_, half) = run("a=1,b=2 cut a?1 b?-").unwrap_err();
    assert!(half.struck_now && !half.struck_before);
    let (_, changed) = run("a=1 ok a=2 cut a?2 cut a?1").unwrap_err();
    assert!(changed.struck_before && !changed.struck_now);
    let (_, lost) = run("a=1 ok cut a?-").unwrap_err();
    assert!(!lost.struck_before && !lost.struck_now);
    assert_eq!((lost.key, lost.allowed.len()), (0, 1));
}

#[test]
fn single_puts_and_deletes_are_batches_of_one() {
    let mut values = Values::new();
    let put = Op::Put { key: 1, value: vec![7] };
    let batch = Op::Batch(vec![Change::Put { key: 1, value: vec![7] }]);
    assert_eq!(Effect::of(&put, &mut values), Effect::of(&batch, &mut values));
    let delete = Op::Delete { key: 1 };
    let batch = Op::Batch(vec![Change::Delete { key: 1 }]);
    assert_eq!(Effect::of(&delete, &mut values), Effect::of(&batch, &mut values));
    for none in [Op::Tidy, Op::Reopen] {
        assert_eq!(Effect::of(&none, &mut values), Effect::default());
    }
}

#[test]
fn states_stay_few() {
    let mut values = Values::new();
    let mut oracle = Oracle::new(2);
    for round in 0..6_u8 {
        oracle.invoke(&Effect::of(&Op::Put { key: 0, value: vec![round] }, &mut values));
        oracle.cut();
    }
    // Absent or any of the six values: the last one read may be any of them.
    assert_eq!(oracle.len(), 7);
    assert_eq!(oracle.known(0), None);
    oracle.read(0, Some(&[3]), &values).unwrap();
    assert_eq!((oracle.len(), oracle.known(0)), (1, values.find(&[3])));
}
