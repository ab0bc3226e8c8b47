//! From the mark to the end of the chain, as a state machine: what to read next.
//!
//! # Sources
//! - The mark "SunS" at 40000, 0 or 50000, in this order; {id, length, content}* behind it; end id
//!   0xffff: published, as PyPI pysunspec2 1.3.7 does it
//! - The bounds are common practice: far above any unit, far below what a hostile chain could cost

use std::collections::BTreeMap;

use super::data::Models;

/// Where the mark may stand, in the order in which it is looked for.
pub const MARK_AT: [u16; 3] = [40_000, 0, 50_000];
const MARK: [u16; 2] = [0x5375, 0x6e53];
const END: u16 = 0xffff;
/// Registers of one read: what a question may carry, even so that no wide value is cut.
const READ: u16 = 124;
/// Most models of a chain.
const MOST_MODELS: usize = 600;
/// Most registers that are read of them.
const MOST_REGISTERS: usize = 40_000;
/// Most questions of a walk.
const MOST_QUESTIONS: u32 = 2_500;
/// Times that a question is asked where nothing comes.
const TRIES: u8 = 3;

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WalkStep {
    /// Read these holding registers.
    Read {
        /// The first.
        address: u16,
        /// How many.
        count: u16,
    },
    /// The walk is over.
    Done,
}

/// What came of a read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WalkAnswer<'a> {
    /// The registers.
    Words(&'a [u16]),
    /// The unit refuses them.
    Refused,
    /// Nothing, or nothing usable.
    Nothing,
}

/// A model in the chain of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FoundModel {
    /// Its id.
    pub id: u16,
    /// The register of its id.
    pub at: u16,
    /// Its length as the unit says, without id and length.
    pub length: u16,
}

/// How a chain ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChainEnd {
    /// With the end model, whose id stands here.
    Whole(u16),
    /// The next model's id could not be read here.
    Unreadable(u16),
    /// What stands here is no id of a model.
    NoModel(u16),
    /// The model at this register would reach beyond register 65535.
    BeyondLast(u16),
    /// There are more models than any unit has; this is where the next one stands.
    Endless(u16),
}

/// What a walk has found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    /// The register of the mark.
    pub mark: u16,
    /// Models in their order, known and unknown ones.
    pub models: Vec<FoundModel>,
    /// How it ended.
    pub end: ChainEnd,
    /// What the registers of the known models hold.
    pub words: BTreeMap<u16, u16>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// The mark at the nth place.
    Mark(usize),
    Header(u16),
    Body {
        model: usize,
        from: u16,
    },
    Over,
}

/// A walk along the chain of a unit.
#[derive(Debug, Clone)]
pub struct Walk {
    known: Vec<u16>,
    stage: Stage,
    tries: u8,
    asked: u32,
    mark: Option<u16>,
    models: Vec<FoundModel>,
    end: Option<ChainEnd>,
    words: BTreeMap<u16, u16>,
}

impl Walk {
    /// From the first place of the mark.
    pub fn new(models: &Models) -> Self {
        Self {
            known: models.models.iter().map(|model| model.id).collect(),
            stage: Stage::Mark(0),
            tries: 0,
            asked: 0,
            mark: None,
            models: Vec::new(),
            end: None,
            words: BTreeMap::new(),
        }
    }

    /// From a mark that was found before.
    pub fn from_mark(models: &Models, mark: u16) -> Self {
        let at = MARK_AT.iter().position(|known| *known == mark);
        Self {
            stage: Stage::Mark(at.unwrap_or_default()),
            ..Self::new(models)
        }
    }

    /// What to do next.
    pub fn next(&self) -> WalkStep {
        let (address, count) = match self.stage {
            Stage::Mark(nth) => match MARK_AT.get(nth) {
                Some(address) => (*address, 2),
                None => return WalkStep::Done,
            },
            Stage::Header(at) => (at, 2),
            Stage::Body { model, from } => match self.models.get(model) {
                Some(found) => (from, (found.last() - from).saturating_add(1).min(READ)),
                None => return WalkStep::Done,
            },
            Stage::Over => return WalkStep::Done,
        };
        WalkStep::Read { address, count }
    }

    /// Takes what came of the last step.
    pub fn take(&mut self, answer: WalkAnswer<'_>) {
        let WalkStep::Read { address, count } = self.next() else {
            return;
        };
        self.asked += 1;
        self.tries += 1;
        let words = match answer {
            WalkAnswer::Words(words) if words.len() == usize::from(count) => Some(words),
            WalkAnswer::Refused => None,
            _ if self.tries < TRIES => return,
            _ => None,
        };
        self.tries = 0;
        match self.stage {
            Stage::Mark(nth) => self.marked(nth, address, words),
            Stage::Header(at) => self.header(at, words),
            Stage::Body { model, from } => self.body(model, from, count, words),
            Stage::Over => {}
        }
        if self.asked >= MOST_QUESTIONS && self.end.is_none() && self.mark.is_some() {
            self.ends(ChainEnd::Endless(address));
        }
    }

    /// Whether the mark was found.
    pub fn has_mark(&self) -> bool {
        self.mark.is_some()
    }

    /// Questions that were asked.
    pub fn asked(&self) -> u32 {
        self.asked
    }

    /// What was found; nothing before the walk is over, or where there is no mark.
    pub fn chain(self) -> Option<Chain> {
        Some(Chain {
            mark: self.mark?,
            models: self.models,
            end: self.end?,
            words: self.words,
        })
    }

    fn marked(&mut self, nth: usize, address: u16, words: Option<&[u16]>) {
        if words != Some(&MARK) {
            self.stage = Stage::Mark(nth + 1);
            return;
        }
        self.mark = Some(address);
        self.stage = Stage::Header(address + 2);
    }

    fn header(&mut self, at: u16, words: Option<&[u16]>) {
        let Some(&[id, length]) = words else {
            return self.ends(ChainEnd::Unreadable(at));
        };
        if id == END {
            return self.ends(ChainEnd::Whole(at));
        }
        let found = FoundModel { id, at, length };
        if id == 0 || id == 0x8000 {
            return self.ends(ChainEnd::NoModel(at));
        }
        if u32::from(at) + u32::from(length) + 1 > u32::from(u16::MAX) {
            return self.ends(ChainEnd::BeyondLast(at));
        }
        if self.models.len() >= MOST_MODELS {
            return self.ends(ChainEnd::Endless(at));
        }
        self.models.push(found);
        let room = self.words.len() + usize::from(length) < MOST_REGISTERS;
        if self.known.contains(&id) && room {
            self.words.extend([(at, id), (at + 1, length)]);
            let model = self.models.len() - 1;
            self.stage = Stage::Body {
                model,
                from: at + 2,
            };
            if length > 0 {
                return;
            }
        }
        self.next_header();
    }

    fn body(&mut self, model: usize, from: u16, count: u16, words: Option<&[u16]>) {
        for (word, at) in words.unwrap_or_default().iter().zip(from..) {
            self.words.insert(at, *word);
        }
        let last = self.models.get(model).map_or(from, FoundModel::last);
        match from.checked_add(count) {
            Some(from) if from <= last => self.stage = Stage::Body { model, from },
            _ => self.next_header(),
        }
    }

    fn next_header(&mut self) {
        let last = self.models.last().map_or(0, FoundModel::last);
        match last.checked_add(1).filter(|at| *at < u16::MAX) {
            Some(at) => self.stage = Stage::Header(at),
            None => self.ends(ChainEnd::BeyondLast(last)),
        }
    }

    fn ends(&mut self, end: ChainEnd) {
        self.end = Some(end);
        self.stage = Stage::Over;
    }
}

impl FoundModel {
    /// Its last register.
    pub fn last(&self) -> u16 {
        self.at.saturating_add(self.length).saturating_add(1)
    }
}

impl Chain {
    /// Models with this id, in their order.
    pub fn with_id(&self, id: u16) -> impl Iterator<Item = &FoundModel> {
        self.models.iter().filter(move |model| model.id == id)
    }
}

#[cfg(test)]
mod tests {
    use super::super::data::models;
    use super::*;

    /// Walks over registers that a function gives; nothing where it gives none.
    fn walked(register: impl Fn(u16) -> Option<u16>) -> (Option<Chain>, u32) {
        let mut walk = Walk::new(&models().unwrap());
        for _ in 0..10_000 {
            let WalkStep::Read { address, count } = walk.next() else {
                let asked = walk.asked();
                return (walk.chain(), asked);
            };
            let words: Option<Vec<u16>> = (0..count)
                .map(|n| register(address.checked_add(n)?))
                .collect();
            walk.take(match &words {
                Some(words) => WalkAnswer::Words(words),
                None => WalkAnswer::Refused,
            });
        }
        panic!("no end");
    }

    fn at(start: u16, words: &[u16]) -> impl Fn(u16) -> Option<u16> {
        let words = words.to_vec();
        move |register| {
            words
                .get(usize::from(register.checked_sub(start)?))
                .copied()
        }
    }

    // Kind of all images: derived (the chain as the models define it), hostile ones invented.
    #[test]
    fn mark_is_found_at_each_of_its_places_and_nowhere_else() {
        for start in MARK_AT {
            let (chain, _) = walked(at(start, &[0x5375, 0x6e53, 0xffff, 0]));
            let chain = chain.unwrap();
            assert_eq!((chain.mark, chain.end), (start, ChainEnd::Whole(start + 2)));
        }
        assert_eq!(walked(at(1, &[0x5375, 0x6e53, 0xffff, 0])).0, None);
        assert_eq!(walked(|_| None).0, None);
        assert_eq!(walked(|_| Some(0)).0, None);
    }

    #[test]
    fn chain_without_an_end_is_left_after_a_bounded_number_of_questions() {
        // Unknown models without content, for ever.
        let endless = |register| {
            Some(match register {
                40_000 => 0x5375,
                40_001 => 0x6e53,
                n if n % 2 == 0 => 7,
                _ => 0,
            })
        };
        let (chain, asked) = walked(endless);
        let end = chain.unwrap().end;
        assert!(matches!(end, ChainEnd::Endless(_)), "{end:?}");
        assert!(asked <= 2_500, "{asked}");
        // Known models as long as a chain allows.
        let (chain, asked) = walked(|register| {
            Some(match register {
                0 => 0x5375,
                1 => 0x6e53,
                n if n % 600 == 2 => 803,
                n if n % 600 == 3 => 598,
                _ => 1,
            })
        });
        let chain = chain.unwrap();
        assert!(
            matches!(chain.end, ChainEnd::BeyondLast(_)),
            "{:?}",
            chain.end
        );
        assert!(asked <= 2_500 && chain.words.len() <= 40_000, "{asked}");
    }

    #[test]
    fn end_that_is_missing_or_beyond_the_last_register_is_told() {
        let (chain, _) = walked(at(40_000, &[0x5375, 0x6e53, 64_999, 2, 1, 1]));
        let chain = chain.unwrap();
        assert_eq!(chain.end, ChainEnd::Unreadable(40_006));
        assert_eq!(chain.models.len(), 1);
        let (chain, _) = walked(at(50_000, &[0x5375, 0x6e53, 64_999, 65_000, 1]));
        assert_eq!(chain.unwrap().end, ChainEnd::BeyondLast(50_002));
        let (chain, _) = walked(at(0, &[0x5375, 0x6e53, 0, 2, 1]));
        assert_eq!(chain.unwrap().end, ChainEnd::NoModel(2));
    }

    #[test]
    fn model_longer_than_one_read_is_read_whole_and_unknown_ones_are_stepped_over() {
        let mut words = vec![0x5375, 0x6e53, 120, 3, 9, 9, 9, 804, 46 + 16 * 16];
        words.extend(0..46 + 16 * 16u16);
        words.extend([0xffff, 0]);
        let (chain, asked) = walked(at(40_000, &words));
        let chain = chain.unwrap();
        assert_eq!(
            chain.models.iter().map(|m| m.id).collect::<Vec<_>>(),
            [120, 804]
        );
        // Mark, three headers, 302 registers in three reads.
        assert_eq!(asked, 1 + 3 + 3);
        assert_eq!(chain.words.len(), 2 + 46 + 16 * 16);
        assert_eq!(chain.words.get(&40_009), Some(&0));
    }
}
