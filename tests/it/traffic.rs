//! Made-up traffic of an RTU line, with what each frame is: for tests and benchmarks.
//!
//! All numbers come from one seed. Kind of everything here: invented.

use std::collections::BTreeMap;

use packside::wire::sealed;

/// Random numbers from a seed (xorshift64*).
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 16
    }

    /// Below `most`.
    pub(crate) fn below(&mut self, most: usize) -> usize {
        (self.next() % most as u64) as usize
    }

    pub(crate) fn byte(&mut self) -> u8 {
        self.next() as u8
    }

    fn word(&mut self) -> [u8; 2] {
        (self.next() as u16).to_be_bytes()
    }
}

/// Which functions are spoken, with their weights.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mix {
    pub(crate) name: &'static str,
    pub(crate) functions: &'static [(u8, usize)],
}

pub(crate) const MIXES: [Mix; 4] = [
    Mix {
        name: "reads",
        functions: &[(3, 5), (4, 5)],
    },
    Mix {
        name: "inverter",
        functions: &[(4, 8), (6, 2), (16, 1), (3, 2)],
    },
    Mix {
        name: "writes",
        functions: &[(5, 2), (6, 3), (15, 1), (16, 1), (22, 1), (8, 1), (3, 1)],
    },
    Mix {
        name: "all",
        functions: &[
            (1, 1),
            (2, 1),
            (3, 2),
            (4, 2),
            (5, 1),
            (6, 1),
            (7, 1),
            (8, 1),
            (11, 1),
            (12, 1),
            (15, 1),
            (16, 1),
            (17, 1),
            (20, 1),
            (21, 1),
            (22, 1),
            (23, 1),
            (24, 1),
            (43, 1),
        ],
    },
];

/// What a part of the traffic is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Truth {
    Request,
    Answer,
    Exception,
    /// Damaged frame or noise.
    Garbage,
}

/// Bytes and their parts: end offset and truth, in order.
#[derive(Debug, Default)]
pub(crate) struct Traffic {
    pub(crate) bytes: Vec<u8>,
    pub(crate) parts: Vec<(usize, Truth)>,
    /// What damaged answers were before, by the number of their part.
    pub(crate) damaged_answers: BTreeMap<usize, Vec<u8>>,
}

impl Traffic {
    fn push(&mut self, bytes: &[u8], truth: Truth) {
        self.bytes.extend_from_slice(bytes);
        self.parts.push((self.bytes.len(), truth));
    }
}

/// How the line treats its frames, per ten thousand.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) damaged: usize,
    /// A run of noise stands before a frame.
    pub(crate) noise: usize,
    pub(crate) exceptions: usize,
    pub(crate) unanswered: usize,
}

/// At least so many frames of conversation.
pub(crate) fn traffic(seed: u64, frames: usize, mix: Mix, line: Line) -> Traffic {
    let mut dice = Dice::new(seed);
    let mut traffic = Traffic::default();
    let total: usize = mix.functions.iter().map(|(_, weight)| weight).sum();
    let mut count = 0;
    while count < frames {
        let mut pick = dice.below(total);
        let (function, _) = mix
            .functions
            .iter()
            .find(|(_, weight)| {
                let hit = pick < *weight;
                pick = pick.wrapping_sub(*weight);
                hit
            })
            .unwrap();
        let unit = 1 + dice.below(247) as u8;
        let (request, answer) = pair(&mut dice, *function);
        let request = sealed([&[unit], &*request].concat());
        say(&mut traffic, &mut dice, line, &request, Truth::Request);
        count += 1;
        if dice.below(10_000) < line.unanswered {
            continue;
        }
        let (answer, truth) = if dice.below(10_000) < line.exceptions {
            let code = 1 + dice.below(6) as u8;
            (vec![function | 0x80, code], Truth::Exception)
        } else {
            (answer, Truth::Answer)
        };
        let answer = sealed([&[unit], &*answer].concat());
        say(&mut traffic, &mut dice, line, &answer, truth);
        count += 1;
    }
    traffic
}

fn say(traffic: &mut Traffic, dice: &mut Dice, line: Line, frame: &[u8], truth: Truth) {
    if dice.below(10_000) < line.noise {
        let noise: Vec<u8> = (0..1 + dice.below(24)).map(|_| dice.byte()).collect();
        traffic.push(&noise, Truth::Garbage);
    }
    if dice.below(10_000) >= line.damaged {
        traffic.push(frame, truth);
        return;
    }
    let mut bytes = frame.to_vec();
    match dice.below(4) {
        // Some bytes wrong.
        0 | 1 => {
            for _ in 0..1 + dice.below(3) {
                let at = dice.below(bytes.len());
                bytes[at] ^= 1 + dice.below(255) as u8;
            }
        }
        // Bytes lost.
        2 => {
            let from = dice.below(bytes.len());
            let lost = 1 + dice.below(4);
            bytes.drain(from..bytes.len().min(from + lost));
        }
        // Cut short, as by a collision, with something else behind.
        _ => {
            bytes.truncate(1 + dice.below(bytes.len() - 1));
            bytes.extend((0..dice.below(6)).map(|_| dice.byte()));
        }
    }
    // Damage that left the frame as it was is none.
    if bytes.starts_with(frame) {
        traffic.push(frame, truth);
        bytes.drain(..frame.len());
    }
    if !bytes.is_empty() && !packside::wire::is_sealed(&bytes) {
        if truth != Truth::Request {
            let part = traffic.parts.len();
            traffic.damaged_answers.insert(part, frame.to_vec());
        }
        traffic.push(&bytes, Truth::Garbage);
    }
}

/// Function and data of a request and its answer.
#[expect(clippy::too_many_lines, reason = "a table, one arm per function code")]
fn pair(dice: &mut Dice, function: u8) -> (Vec<u8>, Vec<u8>) {
    // Register maps are small; half of all addresses, the rest anywhere.
    let address = if dice.below(2) == 0 {
        (dice.below(600) as u16).to_be_bytes()
    } else {
        dice.word()
    };
    let quantity = |dice: &mut Dice, most: usize| {
        let most = if dice.below(3) == 0 {
            most
        } else {
            most.min(12)
        };
        1 + dice.below(most)
    };
    let with = |count: usize| (count as u16).to_be_bytes();
    let data = |dice: &mut Dice, bytes: usize| -> Vec<u8> {
        // Registers are mostly small numbers.
        (0..bytes)
            .map(|at| {
                if at % 2 == 0 && dice.below(2) == 0 {
                    0
                } else {
                    dice.byte()
                }
            })
            .collect()
    };
    let head = |count: usize| [&[function], &address[..], &with(count)].concat();
    match function {
        1 | 2 => {
            let count = quantity(dice, 2000);
            let bytes = count.div_ceil(8);
            (
                head(count),
                [&[function, bytes as u8], &*data(dice, bytes)].concat(),
            )
        }
        3 | 4 => {
            let count = quantity(dice, 125);
            (
                head(count),
                [&[function, (count * 2) as u8], &*data(dice, count * 2)].concat(),
            )
        }
        5 => {
            let value = if dice.below(2) == 0 { 0xff } else { 0 };
            let pdu = [&[5], &address[..], &[value, 0]].concat();
            (pdu.clone(), pdu)
        }
        6 => {
            let pdu = [&[6], &address[..], &data(dice, 2)].concat();
            (pdu.clone(), pdu)
        }
        7 => (vec![7], vec![7, dice.byte()]),
        8 => {
            let pdu = [&[8, 0, 0], &dice.word()[..]].concat();
            (pdu.clone(), pdu)
        }
        11 => (vec![11], [&[11, 0xff, 0xff], &dice.word()[..]].concat()),
        12 => {
            let events = dice.below(20);
            (
                vec![12],
                [&[12, 6 + events as u8], &*data(dice, 6 + events)].concat(),
            )
        }
        15 => {
            let count = quantity(dice, 1968);
            let bytes = count.div_ceil(8);
            let request = [&*head(count), &[bytes as u8], &data(dice, bytes)].concat();
            (request, head(count))
        }
        16 => {
            let count = quantity(dice, 123);
            let request = [&*head(count), &[(count * 2) as u8], &data(dice, count * 2)].concat();
            (request, head(count))
        }
        17 => {
            let bytes = 2 + dice.below(20);
            (vec![17], [&[17, bytes as u8], &*data(dice, bytes)].concat())
        }
        20 => {
            let (file, record) = (dice.word(), dice.word());
            let count = 1 + dice.below(20);
            let request = [&[20, 7, 6], &file[..], &record, &with(count)].concat();
            let bytes = count * 2;
            let answer = [
                &[20, bytes as u8 + 2, bytes as u8 + 1, 6],
                &*data(dice, bytes),
            ]
            .concat();
            (request, answer)
        }
        21 => {
            let (file, record) = (dice.word(), dice.word());
            let count = 1 + dice.below(20);
            let parts = [
                &[21, 7 + count as u8 * 2, 6],
                &file[..],
                &record,
                &with(count),
            ]
            .concat();
            let pdu = [&*parts, &data(dice, count * 2)].concat();
            (pdu.clone(), pdu)
        }
        22 => {
            let pdu = [&[22], &address[..], &dice.word(), &dice.word()].concat();
            (pdu.clone(), pdu)
        }
        23 => {
            let (read, write) = (quantity(dice, 125), quantity(dice, 121));
            let target = dice.word();
            let request = [
                &*head(read),
                &target,
                &with(write),
                &[(write * 2) as u8],
                &data(dice, write * 2),
            ];
            (
                request.concat(),
                [&[23, (read * 2) as u8], &*data(dice, read * 2)].concat(),
            )
        }
        24 => {
            let count = dice.below(32);
            let answer = [
                &[24],
                &with(count * 2 + 2)[..],
                &with(count),
                &data(dice, count * 2),
            ];
            ([&[24], &address[..]].concat(), answer.concat())
        }
        43 => {
            let object = dice.below(3) as u8;
            let length = 3 + dice.below(20);
            let text = data(dice, length);
            let head = [43, 14, 4, 0x81, 0, 0, 1, object, text.len() as u8];
            (vec![43, 14, 4, object], [&head, &*text].concat())
        }
        _ => unreachable!("no such function in a mix"),
    }
}

/// How the pieces of a stream compare with the truth.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Score {
    /// Undamaged frames.
    pub(crate) frames: usize,
    /// Of these, cut out to the byte, in any direction.
    pub(crate) whole: usize,
    /// Of these, also told in the right direction.
    pub(crate) exact: usize,
    /// Of these, in the wrong direction.
    pub(crate) wrong_direction: usize,
    /// Frames told that are none.
    pub(crate) false_frames: usize,
    /// Exchanges told as answered whose request and answer do not belong together.
    pub(crate) false_answers: usize,
    /// Exchanges whose answer lost its end, and what follows begins with just these bytes: told as
    /// they were said, to the byte. Nothing in the bytes tells them from whole ones.
    pub(crate) completed: usize,
    /// Exchanges that were answered, and told so.
    pub(crate) answered: usize,
}
