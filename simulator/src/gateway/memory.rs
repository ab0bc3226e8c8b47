//! What a gateway remembers of the registers that it has read.
//!
//! Input: questions with their answers and times. Output: answers without asking. Does not: know
//! whether it may give them.

use std::collections::BTreeMap;
use std::time::Duration;

use super::serial;
use crate::frame::Request;

/// By unit, function and register: the word, and when it was read.
#[derive(Debug, Clone, Default)]
pub(super) struct Memory {
    words: BTreeMap<(u8, u8, u16), (u16, Duration)>,
}

impl Memory {
    /// Forgets all.
    pub(super) fn clear(&mut self) {
        self.words.clear();
    }

    /// Keeps what registers hold.
    pub(super) fn remember(&mut self, at: Duration, request: &Request, answer: &[u8]) {
        let Some((function, from, _)) = serial::as_read(&request.pdu) else {
            return;
        };
        let words = answer.get(2..).unwrap_or_default().chunks_exact(2);
        for (register, word) in (from..=u16::MAX).zip(words) {
            if let [high, low] = word {
                let word = u16::from_be_bytes([*high, *low]);
                let key = (request.unit, function, register);
                self.words.insert(key, (word, at));
            }
        }
    }

    /// The answer from what was read since a time, if all of it was.
    pub(super) fn answer(&self, request: &Request, since: Duration) -> Option<Vec<u8>> {
        let (function, from, count) = serial::as_read(&request.pdu)?;
        let last = from.checked_add(count.checked_sub(1)?)?;
        let mut answer = vec![function, u8::try_from(count * 2).ok()?];
        for register in from..=last {
            let (word, at) = self.words.get(&(request.unit, function, register))?;
            if *at < since {
                return None;
            }
            answer.extend(word.to_be_bytes());
        }
        Some(answer)
    }
}
