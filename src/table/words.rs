//! What the words of a register list speak of: texts in, notions out, in the languages of the trade.
//!
//! Words are data (`words.txt`). A word is cut into those that are known, as compounds and scripts without
//! blanks need it; what is left over is kept as not understood, so that nothing is taken for known that is not.
//!
//! Does not: decide what a register is for (see [`super::meaning`]).

use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use super::text::{Part, is_ideograph, is_to, parts, plain};

/// Declares the notions with their names in the list of words.
macro_rules! notions {
    ($($name:ident = $text:literal),+ $(,)?) => {
        /// What a word speaks of.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub(super) enum Notion { $($name),+ }

        impl Notion {
            fn named(name: &str) -> Option<Self> {
                match name { $($text => Some(Self::$name),)+ _ => None }
            }
        }
    };
}

notions! {
    Volt = "volt", Amp = "amp", Present = "present", Power = "power", Temp = "temp", Soc = "soc", Soh = "soh",
    Capacity = "capacity", Energy = "energy", Resist = "resist", Insul = "insul", Humidity = "humidity",
    Pressure = "pressure", Frequency = "frequency", Percent = "percent", Cell = "cell", Module = "module",
    Pack = "pack", Terminal = "terminal", Inverter = "inverter", Ambient = "ambient", Board = "board",
    Sensor = "sensor", Alien = "foreign", Max = "max", Min = "min", Avg = "avg", Diff = "diff",
    Nominal = "nominal", Remaining = "remaining", Full = "full", Limit = "limit", Protect = "protect",
    Charge = "charge", Discharge = "discharge", Cumul = "cumul", Index = "index", Count = "count", Of = "of",
    Parallel = "parallel", Cycle = "cycle", Alarm = "alarm", Warning = "warning", Fault = "fault", Code = "code",
    Word = "word", Stored = "stored", State = "state", Running = "running", Balance = "balance",
    Switch = "switch", Valid = "valid", Serial = "serial", Version = "version", Firmware = "firmware",
    Hardware = "hardware", Model = "model", Maker = "maker", Address = "own address", Uptime = "uptime",
    Heartbeat = "heartbeat", Since = "since", Heard = "heard", Ever = "ever", Clock = "clock", Lost = "lost",
    Filler = "filler", Over = "over", Under = "under", Short = "short", Precharge = "precharge", Fuse = "fuse",
    Door = "door", Button = "button", Inside = "internal communication", Imbalance = "imbalance",
    Configuration = "configuration", ControlUnit = "control unit", SelfTest = "self test", Waiting = "waiting",
    Standby = "standby", Off = "off", Stopping = "stopping", Maintenance = "maintenance", Nothing = "none",
    Reserved = "reserved", Above = "above", Below = "below", Fan = "fan", Not = "not", Ended = "over with",
    Welded = "welded",
}

static LIST: LazyLock<Lexicon> = LazyLock::new(|| Lexicon::of(include_str!("words.txt")));

/// The words of a phrase with its notions.
type Phrase = (Vec<String>, BTreeSet<Notion>);

/// Every known word and phrase with its notions.
struct Lexicon {
    words: BTreeMap<String, BTreeSet<Notion>>,
    /// Of several words, by their first.
    phrases: BTreeMap<String, Vec<Phrase>>,
    longest: usize,
}

impl Lexicon {
    fn of(text: &str) -> Self {
        let mut list = Self {
            words: BTreeMap::new(),
            phrases: BTreeMap::new(),
            longest: 0,
        };
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        let lines = lines.filter_map(|line| line.split_once(':'));
        let named = lines.filter_map(|(name, words)| Some((Notion::named(name)?, words)));
        let mut phrases: BTreeMap<Vec<String>, BTreeSet<Notion>> = BTreeMap::new();
        for (notion, words) in named {
            for word in words.split(',').map(|word| plain(word.trim())) {
                let several: Vec<String> = word.split(' ').map(str::to_owned).collect();
                match several.as_slice() {
                    [] => {}
                    [_] => {
                        list.longest = list.longest.max(word.chars().count());
                        list.words.entry(word).or_default().insert(notion);
                    }
                    _ => {
                        phrases.entry(several).or_default().insert(notion);
                    }
                }
            }
        }
        for (words, notions) in phrases {
            let Some(first) = words.first().cloned() else {
                continue;
            };
            let of_first = list.phrases.entry(first).or_default();
            of_first.push((words, notions));
            of_first.sort_by_key(|(words, _)| std::cmp::Reverse(words.len()));
        }
        list
    }

    /// The pieces of a word that are known, and what of it is not.
    fn cut(&self, word: &str) -> Cut {
        if let Some(notions) = self.words.get(word) {
            return Cut {
                notions: notions.clone(),
                left_over: 0,
            };
        }
        let chars: Vec<char> = word.chars().collect();
        let dense = chars.first().is_some_and(|c| is_ideograph(*c));
        let whole = self.cheapest(&chars, if dense { 1 } else { 3 });
        if dense || whole.left_over == 0 {
            return whole;
        }
        // Short words inside a long one that is not understood are chance.
        self.cheapest(&chars, SURE_INSIDE)
    }

    /// Cuts so that the least is left over, in the fewest pieces.
    fn cheapest(&self, chars: &[char], shortest: usize) -> Cut {
        let mut best: Vec<Option<(usize, usize, BTreeSet<Notion>)>> = vec![None; chars.len() + 1];
        if let Some(first) = best.first_mut() {
            *first = Some((0, 0, BTreeSet::new()));
        }
        for from in 0..chars.len() {
            let Some(Some((left_over, pieces, notions))) = best.get(from).cloned() else {
                continue;
            };
            let mut offer = |to: usize, left: usize, more: Option<&BTreeSet<Notion>>| {
                let Some(place) = best.get_mut(to) else {
                    return;
                };
                let cost = (left_over + left, pieces + 1);
                if place.as_ref().is_some_and(|(l, p, _)| (*l, *p) <= cost) {
                    return;
                }
                let all = notions.iter().chain(more.into_iter().flatten());
                *place = Some((cost.0, cost.1, all.copied().collect()));
            };
            offer(from + 1, 1, None);
            let rest = chars.get(from..).unwrap_or_default();
            for length in 1..=rest.len().min(self.longest) {
                let piece: String = rest.iter().take(length).collect();
                let known = self.words.get(&piece).filter(|_| length >= shortest);
                if let Some(notions) = known {
                    offer(from + length, 0, Some(notions));
                } else if from > 0 && is_ending(&piece) {
                    offer(from + length, 0, None);
                }
            }
        }
        let (left_over, _, notions) = best.pop().flatten().unwrap_or_default();
        Cut { notions, left_over }
    }
}

/// Words of so many letters are meant where they stand inside of another.
const SURE_INSIDE: usize = 4;

/// What words of the trade end with, and what German puts between two of them.
fn is_ending(piece: &str) -> bool {
    matches!(
        piece,
        "s" | "n"
            | "e"
            | "es"
            | "en"
            | "er"
            | "em"
            | "r"
            | "ns"
            | "i"
            | "a"
            | "o"
            | "os"
            | "as"
            | "aux"
            | "le"
            | "d"
            | "ed"
            | "ing"
            | "ung"
            | "ungs"
            | "ly"
            | "te"
            | "ten"
    )
}

/// A word cut into what is known of it.
#[derive(Default)]
struct Cut {
    notions: BTreeSet<Notion>,
    /// Letters that belong to no known word.
    left_over: usize,
}

/// A number in a text, or the first and last of a range of them, and what it counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Numbered {
    pub(super) first: u32,
    pub(super) last: u32,
    /// `Cell`, `Module`, `Sensor` or `Pack`, if one of them stands at it.
    pub(super) what: Option<Notion>,
}

impl Numbered {
    /// How many, at most as many as there are registers.
    pub(super) fn count(self) -> u32 {
        self.last.saturating_sub(self.first).min(MOST - 1) + 1
    }
}

/// More than there are registers is counted by nothing.
const MOST: u32 = 1 << 16;

/// A text as far as it is understood.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Understood {
    pub(super) notions: BTreeSet<Notion>,
    /// Words that are not known.
    pub(super) unknown: Vec<String>,
    pub(super) numbers: Vec<Numbered>,
    /// The text without its numbers, to see which rows belong together.
    pub(super) stem: String,
}

impl Understood {
    pub(super) fn has(&self, notion: Notion) -> bool {
        self.notions.contains(&notion)
    }

    pub(super) fn any(&self, notions: &[Notion]) -> bool {
        notions.iter().any(|notion| self.has(*notion))
    }
}

/// What a number may count.
const COUNTED: [Notion; 4] = [Notion::Cell, Notion::Module, Notion::Sensor, Notion::Pack];

/// Understands a text.
pub(super) fn understood(text: &str) -> Understood {
    let parts = parts(text);
    let mut found = Understood::default();
    // Where each thing that can be counted was named.
    let mut named: Vec<(usize, Notion)> = Vec::new();
    let mut numbers: Vec<(usize, u32, u32)> = Vec::new();
    let mut at = 0;
    while let Some(part) = parts.get(at) {
        let mut taken = 1;
        match part {
            Part::Number(first) => {
                let (last, used) = end_of_range(parts.get(at + 1..).unwrap_or_default(), *first);
                numbers.push((at, *first, last));
                found.stem.push('#');
                taken += used;
            }
            Part::Word(word) => {
                let (notions, used) = phrase(parts.get(at..).unwrap_or_default())
                    .unwrap_or_else(|| (single(word, &mut found.unknown), 1));
                named.extend(
                    COUNTED
                        .iter()
                        .filter(|one| notions.contains(one))
                        .map(|one| (at, *one)),
                );
                found.notions.extend(notions);
                for part in parts.iter().skip(at).take(used) {
                    if let Part::Word(word) = part {
                        found.stem.push_str(word);
                        found.stem.push(' ');
                    }
                }
                taken = used;
            }
            Part::Sign(_) => {}
        }
        at += taken;
    }
    found.numbers = attached(&numbers, &named);
    found
}

fn single(word: &str, unknown: &mut Vec<String>) -> BTreeSet<Notion> {
    let cut = LIST.cut(word);
    let is_letter = word.chars().count() == 1 && !word.chars().any(is_ideograph);
    if cut.left_over > 0 && !is_letter {
        unknown.push(word.to_owned());
    }
    cut.notions
}

/// A phrase that begins here, and of how many parts it is.
fn phrase(parts: &[Part]) -> Option<(BTreeSet<Notion>, usize)> {
    let Some(Part::Word(first)) = parts.first() else {
        return None;
    };
    let fits = |words: &&Phrase| {
        let mut rest = parts
            .iter()
            .filter(|part| !matches!(part, Part::Sign('-' | '/' | '\'' | '’' | '.')));
        words
            .0
            .iter()
            .all(|word| matches!(rest.next(), Some(Part::Word(found)) if found == word))
    };
    let (words, notions) = LIST.phrases.get(first)?.iter().find(fits)?;
    let mut left = words.len();
    let used = parts.iter().take_while(|part| {
        let goes_on = left > 0;
        left -= usize::from(goes_on && matches!(part, Part::Word(_)));
        goes_on
    });
    Some((notions.clone(), used.count()))
}

/// The last number of a range that goes on behind its first, and the parts that it takes.
fn end_of_range(rest: &[Part], first: u32) -> (u32, usize) {
    let mut signs = 0;
    for (used, part) in rest.iter().enumerate().take(4) {
        match part {
            Part::Number(last) if signs > 0 && *last > first => return (*last, used + 1),
            Part::Number(_) => break,
            part if is_to(part) => signs += 1,
            // `cell 1 to cell 16`, `#1~#16`
            Part::Word(_) | Part::Sign('#') if signs > 0 => {}
            _ => break,
        }
    }
    (first, 0)
}

/// Each number with what it counts: what was named last in front of it, else the next behind it.
fn attached(numbers: &[(usize, u32, u32)], named: &[(usize, Notion)]) -> Vec<Numbered> {
    let mut free: Vec<(usize, Notion)> = named.to_vec();
    let mut all = Vec::new();
    let mut before = None;
    for (at, first, last) in numbers {
        let near = |place: &usize| before.is_none_or(|before| *place > before);
        let in_front = free
            .iter()
            .rposition(|(place, _)| place < at && near(place));
        let place = in_front.or_else(|| free.iter().position(|(place, _)| place > at));
        let what = place.map(|place| free.remove(place).1);
        all.push(Numbered {
            first: *first,
            last: *last,
            what,
        });
        before = Some(*at);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn words_are_understood_in_compounds_and_without_blanks() {
        let of = |text: &str| understood(text).notions.into_iter().collect::<Vec<_>>();
        assert_eq!(of("Zellspannung"), [Notion::Volt, Notion::Cell]);
        assert_eq!(of("单体电压"), [Notion::Volt, Notion::Cell]);
        assert_eq!(
            of("Höchste Zellenspannung"),
            [Notion::Volt, Notion::Cell, Notion::Max]
        );
        assert_eq!(of("Nennspannung"), [Notion::Volt, Notion::Nominal]);
        assert_eq!(of("État de charge"), [Notion::Soc]);
        assert_eq!(
            of("Überstromschutz"),
            [Notion::Amp, Notion::Protect, Notion::Over]
        );
        assert_eq!(understood("Voltage of zorbel").unknown, ["zorbel"]);
        assert!(understood("Batteriegesamtspannung").unknown.is_empty());
    }

    // Kind: invented
    #[test]
    fn numbers_count_what_stands_at_them() {
        let of = |text: &str| {
            let all = understood(text).numbers.into_iter();
            all.map(|one| (one.first, one.last, one.what))
                .collect::<Vec<_>>()
        };
        assert_eq!(of("Cell 1…16 voltage"), [(1, 16, Some(Notion::Cell))]);
        assert_eq!(
            of("Modul 3 Spannung Zelle 12"),
            [(3, 3, Some(Notion::Module)), (12, 12, Some(Notion::Cell))]
        );
        assert_eq!(of("单体温度1-12"), [(1, 12, Some(Notion::Cell))]);
        assert_eq!(of("Zellspannung 1 bis 16"), [(1, 16, Some(Notion::Cell))]);
        assert_eq!(of("cell #1 ~ cell #16"), [(1, 16, Some(Notion::Cell))]);
        assert_eq!(of("Alarm 2"), [(2, 2, None)]);
    }
}
