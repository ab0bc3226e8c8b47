//! Which bits and values a word has by its names, as far as the whole list tells.

use super::flagged;
use super::item::Item;
use super::keys::MOST_BITS;
use super::named::{Named, is_nothing};
use super::words::{Notion, Understood};

/// Where no word of a document has a bit 0, its bits may count from 1: they do where one word of 16 bits, and said to be
/// that wide, has a last bit 16, and stay open where one begins with bit 1. Bits 16 to 31 of a single register are those
/// of the second half of two.
pub(super) fn settle(items: &mut [Item]) {
    let said = |item: &Item| {
        let bits = item.said.bits.map(u32::from);
        let registers = item.registers.map(|n| n.saturating_mul(16));
        registers.or(bits)
    };
    let bits = |item: &Item| -> Vec<u32> {
        let bits = item.names.iter().filter(|name| name.is_bit);
        bits.map(|name| name.number).collect()
    };
    let has_zero = items.iter().any(|item| bits(item).contains(&0));
    let begins_at_one = items.iter().any(|item| bits(item).iter().min() == Some(&1));
    let is_full = items
        .iter()
        .any(|item| said(item) == Some(16) && bits(item).iter().max() == Some(&16));
    for item in items {
        let (all, width) = (bits(item), said(item).unwrap_or(16).max(16));
        let take = match (has_zero, is_full) {
            (true, _) if width == 16 && all.iter().all(|bit| (16..32).contains(bit)) => 16,
            (false, true) if begins_at_one => 1,
            (false, _) => {
                item.is_bit_open = begins_at_one && !all.is_empty();
                0
            }
            _ => 0,
        };
        let names = item.names.iter_mut().filter(|name| name.is_bit);
        names.for_each(|name| name.number = name.number.saturating_sub(take));
    }
}

/// Values that can only be the bits of a word of alarms: 0 is a fault, or every number is a single bit.
pub(super) fn of_alarms(names: Vec<Named>, words: &Understood, is_bits: bool) -> Vec<Named> {
    let says_alarms = words.any(&[
        Notion::Alarm,
        Notion::Warning,
        Notion::Fault,
        Notion::Protect,
    ]);
    let is_code = words.any(&[Notion::Code, Notion::Index]);
    let has_bits = names.iter().any(|name| name.is_bit);
    if !(is_bits || says_alarms && !is_code) || has_bits || names.len() < 2 {
        return names;
    }
    let bits = |names: &[Named], bit: fn(u32) -> u32| -> Vec<Named> {
        let bits = names.iter().map(|name| Named {
            number: bit(name.number),
            is_bit: true,
            ..name.clone()
        });
        bits.collect()
    };
    let all: Vec<Named> = names
        .iter()
        .filter(|n| n.number != 0 || !is_nothing(&n.text))
        .cloned()
        .collect();
    let has = |number: u32| all.iter().any(|name| name.number == number);
    let is_mask =
        all.iter().all(|name| name.number.is_power_of_two()) && has(4) | has(16) && !has(3);
    if is_mask && all.len() > 2 {
        return bits(&all, u32::trailing_zeros);
    }
    // Bits 16 to 31 of two registers, the second of which this is.
    if is_bits && names.iter().all(|name| (16..32).contains(&name.number)) {
        return bits(&names, |number| number);
    }
    let is_fault = |name: &Named| {
        name.number == 0 && !is_nothing(&name.text) && flagged::class(&name.text).is_sure
    };
    if names.iter().any(is_fault) && names.iter().all(|name| name.number < MOST_BITS) {
        return bits(&names, |number| number);
    }
    names
}

#[cfg(test)]
mod tests {
    use super::super::named::names;
    use super::super::words::understood;
    use super::*;

    // Kind: derived (as codes, 0 would be a fault where there is none; powers of two leave out 3)
    #[test]
    fn values_of_a_word_of_alarms_are_its_bits_where_nothing_else_can_be_meant() {
        let bits = |text: &str| {
            let names = of_alarms(names(text), &understood("Alarm word"), false);
            names
                .iter()
                .map(|n| (n.number, n.is_bit))
                .collect::<Vec<_>>()
        };
        for text in [
            "0: cell over voltage; 1: short circuit; 2: over temperature",
            "[0] cell over voltage, [1] short circuit, [2] over temperature",
            "#0 cell over voltage #1 short circuit #2 over temperature",
            "0x0001: cell over voltage; 0x0002: short circuit; 0x0004: over temperature",
            "0x01 cell over voltage, 0x02 short circuit, 0x04 over temperature",
            "1: cell over voltage; 2: short circuit; 4: over temperature",
        ] {
            assert_eq!(bits(text), [(0, true), (1, true), (2, true)], "{text}");
        }
        for text in [
            "0: no fault; 1: short circuit; 2: over temperature",
            "0 = normal, 1 = alarm",
            "1: short circuit; 2: over temperature",
        ] {
            assert!(bits(text).iter().all(|(_, is_bit)| !is_bit), "{text}");
        }
    }
}
