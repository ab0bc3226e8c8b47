//! Rows that a list gives for one of several, with a sentence that says where the others stand:
//! `Module n (n = 1..8): +29 x (n-1)`.
//!
//! Does not: guess a distance that no sentence names.

use std::collections::BTreeSet;

use super::item::Item;
use super::text::{is_ideograph, narrow};
use super::words::{Notion, Numbered, understood};

/// Most of one kind.
const MOST: u32 = 256;

/// What a sentence says of rows that stand for several.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Formula {
    letter: char,
    first: u32,
    last: u32,
    /// Registers from one to the next.
    stride: u32,
    /// What it speaks of.
    of: BTreeSet<Notion>,
}

/// The formula of a sentence.
pub(super) fn formula(text: &str) -> Option<Formula> {
    let small: String = text.chars().map(narrow).collect::<String>().to_lowercase();
    let tight: Vec<char> = small.chars().filter(|c| !c.is_whitespace()).collect();
    let at = tight
        .windows(2)
        .position(|pair| matches!(pair, [letter, '='] if letter.is_ascii_lowercase()))?;
    let letter = *tight.get(at)?;
    let (first, used) = digits(tight.get(at + 2..)?)?;
    let behind = tight.get(at + 2 + used..)?;
    let to = behind.iter().take_while(|c| !c.is_ascii_digit()).count();
    let is_to = to > 0 && to <= 3 && !behind.iter().take(to).any(|c| *c == '(');
    let (last, _) = digits(behind.get(to..)?).filter(|_| is_to)?;
    let stride = stride(&tight, letter)?;
    let subject = small.split(['(', ':', ',', ';']).next()?;
    let formula = Formula {
        letter,
        first,
        last,
        stride,
        of: spoken_of(subject),
    };
    let is_sound = first < last && last - first < MOST && (1..=4_096).contains(&stride);
    (is_sound && !formula.of.is_empty()).then_some(formula)
}

/// The factor of `(n-1)`, in front of it or behind.
fn stride(tight: &[char], letter: char) -> Option<u32> {
    let bracket = ['(', letter, '-', '1', ')'];
    let at = tight.windows(5).position(|five| five == bracket)?;
    let is_times = |c: Option<&char>| matches!(c, Some('x' | '×' | '*' | '·'));
    if at > 1 && is_times(tight.get(at - 1)) {
        let before: Vec<char> = tight.get(..at - 1)?.iter().rev().copied().collect();
        let count = before.iter().take_while(|c| c.is_ascii_digit()).count();
        let number: Vec<char> = before.get(..count)?.iter().rev().copied().collect();
        return digits(&number).map(|(number, _)| number);
    }
    is_times(tight.get(at + 5))
        .then(|| digits(tight.get(at + 6..)?))
        .flatten()
        .map(|(number, _)| number)
}

fn digits(chars: &[char]) -> Option<(u32, usize)> {
    let found: String = chars.iter().take_while(|c| c.is_ascii_digit()).collect();
    Some((found.parse().ok()?, found.len()))
}

/// What a text speaks of, without what says nothing more.
fn spoken_of(text: &str) -> BTreeSet<Notion> {
    let notions = understood(text).notions.into_iter();
    notions
        .filter(|notion| !matches!(notion, Notion::Filler | Notion::Of | Notion::Index))
        .collect()
}

/// Puts in place of each row that stands for several what it stands for.
pub(super) fn expand(items: Vec<Item>, formulas: &[Formula]) -> Vec<Item> {
    if formulas.is_empty() {
        return items;
    }
    let several = items.into_iter().flat_map(|item| {
        let fits = formulas.iter().filter(|formula| speaks_of(formula, &item));
        match fits.max_by_key(|formula| formula.of.len()) {
            Some(formula) => each(&item, formula).unwrap_or_else(|| vec![item]),
            None => vec![item],
        }
    });
    several.collect()
}

fn speaks_of(formula: &Formula, item: &Item) -> bool {
    let is_numbered = |n: &Numbered| n.what == Some(Notion::Module) && n.first == n.last;
    has_alone(&item.name, formula.letter)
        && !item.words.numbers.iter().any(is_numbered)
        && formula.of.is_subset(&item.words.notions)
}

/// Whether a letter stands in a text by itself.
fn has_alone(text: &str, letter: char) -> bool {
    let chars: Vec<char> = text.chars().map(narrow).collect();
    let is_other = |c: Option<&char>| c.is_none_or(|c| !c.is_alphanumeric() || is_ideograph(*c));
    let mut all = chars.iter().enumerate();
    all.any(|(at, c)| {
        c.to_ascii_lowercase() == letter
            && is_other(at.checked_sub(1).and_then(|before| chars.get(before)))
            && is_other(chars.get(at + 1))
    })
}

fn each(item: &Item, formula: &Formula) -> Option<Vec<Item>> {
    let made = (formula.first..=formula.last).map(|number| {
        let further = (number - formula.first).checked_mul(formula.stride)?;
        let mut one = item.clone();
        one.at.first = one.at.first.checked_add(further)?;
        one.at.last = match one.at.last {
            Some(last) => Some(last.checked_add(further)?),
            None => None,
        };
        for counted in &mut one.words.numbers {
            counted.what = counted.what.filter(|what| *what != Notion::Module);
        }
        one.words.numbers.insert(
            0,
            Numbered {
                first: number,
                last: number,
                what: Some(Notion::Module),
            },
        );
        one.words.notions.insert(Notion::Module);
        Some(one)
    });
    made.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn sentences_say_where_the_others_stand() {
        for (text, found) in [
            ("Module n (n = 1..8): +29 x (n-1)", Some(('n', 1, 8, 29))),
            ("模组i (i=1~10)：+17×(i-1)", Some(('i', 1, 10, 17))),
            (
                "Modul k: Adresse + (k - 1) * 32, k = 1 bis 4",
                Some(('k', 1, 4, 32)),
            ),
            ("Module n (n = 1..8)", None),
            ("n = 1..8: +29 x (n-1)", None),
            ("Module n (n = 8..1): +29 x (n-1)", None),
            ("Value = raw*0.1 - 40", None),
        ] {
            let said = formula(text).map(|one| (one.letter, one.first, one.last, one.stride));
            assert_eq!(said, found, "{text}");
        }
    }
}
