//! What the recording holds beside the wire: answers, photographs, and the recording itself.
//!
//! Does not: read files, or judge.

use std::time::Duration;

use super::facts::Answered;
use super::html::Html;
use super::parts::Parts;
use super::parts::{section, table};
use super::words;
use crate::event::{AnswerValue, clock_breaks};
use crate::visit::in_words;

/// Every answer by its question.
pub(crate) fn answers(html: &mut Html, parts: &Parts) {
    if parts.facts.answers.is_empty() {
        return;
    }
    section(html, "Answers", |inner| {
        let is_given = |answer: &&Answered| !answer.value.is_left_out();
        let (given, left_out): (Vec<_>, Vec<_>) = parts.facts.answers.iter().partition(is_given);
        let head = words::local(&parts.source.session.start, Duration::ZERO);
        let rows: Vec<Vec<String>> = given
            .into_iter()
            .map(|answer| {
                let before = if answer.before.is_empty() {
                    String::new()
                } else {
                    format!(" (before: {})", words(&answer.before))
                };
                vec![
                    answer.question.clone(),
                    format!("{}{before}", in_words(&answer.value)),
                    answer.note.clone(),
                    time_of(&answer.when, &head).to_owned(),
                ]
            })
            .collect();
        let columns = ["Question", "Answer", "Reason or remark", "When"];
        table(
            inner,
            "What a person answered or the tool measured, in the order of the steps",
            &columns,
            &rows,
        );
        if left_out.is_empty() {
            return;
        }
        inner.put("h3", &[], "Left out");
        inner.around("ul", &[], |list| {
            for answer in left_out {
                let earlier = match answer.before.as_slice() {
                    [] => String::new(),
                    before => format!(" (before: {})", words(before)),
                };
                let line = format!("{} \u{2013} {}{earlier}", answer.question, answer.note);
                list.put("li", &[], &line);
            }
        });
    });
}

/// A local time without day and offset, where they are those in the head of the page.
fn time_of<'t>(when: &'t str, head: &str) -> &'t str {
    let inner = || {
        let (day, rest) = head.split_once(' ')?;
        let (_, offset) = rest.split_once(' ')?;
        when.strip_prefix(day)?.strip_suffix(offset)
    };
    inner().map_or(when, str::trim)
}

/// Earlier answers, in words.
fn words(before: &[AnswerValue]) -> String {
    let words: Vec<String> = before.iter().map(in_words).collect();
    words.join(", ")
}

/// Pictures, embedded where they were found and fit their hash.
pub(crate) fn photos(html: &mut Html, parts: &Parts) {
    if parts.facts.taken.is_empty() {
        return;
    }
    section(html, "Photographs", |inner| {
        for taken in &parts.facts.taken {
            let found = parts
                .source
                .pictures
                .iter()
                .find(|p| p.sha256 == taken.sha256);
            let kind = found.and_then(|picture| image_kind(&picture.bytes));
            inner.around("figure", &[], |figure| {
                if let (Some(picture), Some(kind)) = (found, kind) {
                    let data = format!("data:{kind};base64,{}", base64(&picture.bytes));
                    let alt = format!("Photograph {} at the step {}", taken.file, taken.step);
                    figure.open("img", &[("src", &data), ("alt", &alt)]);
                }
                figure.around("figcaption", &[], |caption| {
                    let embedded = match (found, kind) {
                        (Some(_), Some(_)) => "its hash fits the recording",
                        (Some(_), None) => "its hash fits the recording; of a kind that is not shown here",
                        (None, _) => "not shown: not found beside the recording, too large, or its hash does not fit",
                    };
                    caption.text(&format!(
                        "{}, step {}, {}; {embedded}. SHA-256 ",
                        taken.file, taken.step, taken.when
                    ));
                    caption.put("code", &[], &taken.sha256);
                });
            });
        }
    });
}

/// Kind of an image by its first bytes.
fn image_kind(bytes: &[u8]) -> Option<&'static str> {
    match bytes {
        [0x89, b'P', b'N', b'G', ..] => Some("image/png"),
        [0xff, 0xd8, 0xff, ..] => Some("image/jpeg"),
        [
            b'R',
            b'I',
            b'F',
            b'F',
            _,
            _,
            _,
            _,
            b'W',
            b'E',
            b'B',
            b'P',
            ..,
        ] => Some("image/webp"),
        _ => None,
    }
}

/// Base64 with padding, RFC 4648 section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let byte = |index: usize| u32::from(chunk.get(index).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4usize {
            let six = usize::try_from(bits >> (18 - 6 * place) & 63).unwrap_or(0);
            let letter = LETTERS.get(six).copied().filter(|_| place <= chunk.len());
            text.push(letter.map_or('=', char::from));
        }
    }
    text
}

/// The recording itself: what is missing, and what its fingerprint proves.
pub(crate) fn recording(html: &mut Html, parts: &Parts) {
    let recording = parts.source.recording;
    section(html, "The recording", |inner| {
        inner.around("p", &[], |p| {
            p.text("Fingerprint ")
                .put("code", &[], &recording.fingerprint);
            p.text(&format!(
                " over {} lines, {}.",
                recording.lines,
                match recording.sessions.len() {
                    1 => "one session".to_owned(),
                    more => format!("{more} sessions"),
                }
            ));
        });
        inner.put(
            "p",
            &[],
            "If it equals the one noted at the end of the visit, nothing in the recording was changed since, by accident or by hand. It \
             does not prove who wrote it, nor when, nor that a recording without a seal is complete.",
        );
        if recording.missing.is_empty() {
            inner.put("p", &[], "The recording is whole and sealed.");
        } else {
            inner.put("h3", &[], "Missing");
            inner.around("ul", &[], |list| {
                for missing in &recording.missing {
                    list.put("li", &[], &missing.to_string());
                }
            });
        }
        clocks(inner, parts);
        shown(inner, parts);
    });
}

/// Where the wall clock jumped, durations are unknown.
fn clocks(html: &mut Html, parts: &Parts) {
    let start = &parts.source.session.start;
    for broken in clock_breaks(parts.source.session.events.beside()) {
        html.put(
            "p",
            &[("class", "differs")],
            &format!(
                "At {} the wall clock and the session's clock went {} s apart: the computer slept or its clock was set. Durations across that moment are not known.",
                words::local(start, broken.at),
                broken.apart_ms / 1000
            ),
        );
    }
}

/// Every verdict that was shown.
fn shown(html: &mut Html, parts: &Parts) {
    const MOST: usize = 12;
    let mut rows = Vec::new();
    for session in &parts.source.recording.sessions {
        for (_, shown) in &session.shown {
            rows.push(vec![
                words::local(&session.start, shown.at),
                shown.verdict.clone(),
                shown.summary.clone(),
                shown.tool.clone(),
            ]);
        }
    }
    if rows.len() < 2 || !parts.for_desk() {
        return;
    }
    let all = rows.len();
    let last = rows.split_off(all.saturating_sub(MOST));
    let caption = if all > MOST {
        format!("The last {MOST} of {all} verdicts that were shown")
    } else {
        "Verdicts that were shown".to_owned()
    };
    table(
        html,
        &caption,
        &["When", "Verdict", "In one line", "Version"],
        &last,
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_matches_the_published_examples() {
        // Kind: published. Source: RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
