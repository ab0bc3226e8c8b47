//! The plan against brute force on small random maps, and against single cases.
//!
//! All maps here are invented.

use std::collections::BTreeSet;

use packside_profiles::Place;
use proptest::prelude::*;

use super::*;

fn instance(table: Table, address: u16, registers: u16) -> Instance {
    Instance {
        point: 0,
        place: Place::default(),
        table,
        address,
        registers,
    }
}

fn span(from: u16, to: u16) -> Span {
    Span {
        table: Table::Input,
        base: Base::Absolute,
        from,
        to,
    }
}

fn slow_line() -> Cost {
    Cost {
        line: Some("9600-8E1".parse().unwrap()),
        answer_time: Duration::from_millis(5),
    }
}

/// Reads as `address+count`, in order.
fn text(reads: &[Read]) -> String {
    let parts: Vec<String> = reads
        .iter()
        .map(|read| format!("{}+{}", read.address, read.count))
        .collect();
    parts.join(" ")
}

fn check(points: &[(u16, u16)], spans: &[Span], clears: &[Span], planned: &str) {
    let wanted: Vec<Instance> = points
        .iter()
        .map(|(address, registers)| instance(Table::Input, *address, *registers))
        .collect();
    assert_eq!(
        text(&plan(&wanted, spans, clears, &slow_line())),
        planned,
        "{points:?}"
    );
}

// Kind: derived
// Note: at 9600-8E1 a register costs 2 x 11 / 9600 s = 2.29 ms; a read costs 13 characters, two
//       silences and 5 ms beside its data = 14.90 + 8.02 + 5 = 27.9 ms, so a gap of 12 registers
//       is worth reading and one of 13 is not
#[test]
fn gap_is_read_only_where_it_is_cheaper_than_another_request() {
    check(&[(0, 1), (13, 1)], &[span(0, 99)], &[], "0+14");
    check(&[(0, 1), (14, 1)], &[span(0, 99)], &[], "0+1 14+1");
}

// Kind: invented
#[test]
fn span_border_is_never_crossed_even_between_neighbours() {
    check(
        &[(9, 1), (10, 1)],
        &[span(0, 9), span(10, 19)],
        &[],
        "9+1 10+1",
    );
}

// Kind: invented
#[test]
fn clearing_range_is_read_only_where_wanted() {
    check(&[(0, 1), (5, 1)], &[span(0, 9)], &[span(3, 3)], "0+1 5+1");
    check(
        &[(0, 1), (3, 1), (5, 1)],
        &[span(0, 9)],
        &[span(3, 3)],
        "0+6",
    );
    check(
        &[(0, 1), (3, 1), (5, 1)],
        &[span(0, 9)],
        &[span(3, 4)],
        "0+4 5+1",
    );
}

// Kind: published
// Source: Modbus Application Protocol V1.1b3, 6.3: quantity of registers 1 to 125
#[test]
fn read_holds_125_registers_at_most_and_cuts_no_instance() {
    check(&[(0, 125), (125, 1)], &[span(0, 999)], &[], "0+125 125+1");
    let fours: Vec<(u16, u16)> = (0..62).map(|i| (i * 4, 4)).collect();
    check(&fours, &[span(0, 999)], &[], "0+124 124+124");
}

// Kind: invented
#[test]
fn points_in_the_same_register_are_read_once() {
    check(&[(7, 1), (7, 1), (6, 2)], &[span(0, 9)], &[], "6+2");
}

// Kind: invented
#[test]
fn instance_outside_every_span_is_unplanned() {
    let wanted = [
        instance(Table::Input, 5, 2),
        instance(Table::Holding, 0, 1),
        instance(Table::Input, 0, 1),
    ];
    let reads = plan(&wanted, &[span(0, 5)], &[], &slow_line());
    assert_eq!(text(&reads), "0+1");
    assert_eq!(unplanned(&wanted, &reads), [0, 1]);
}

// Kind: invented
#[test]
fn refused_block_is_halved_until_the_missing_points_are_known() {
    let wanted: Vec<Instance> = (0..9).map(|i| instance(Table::Input, i * 2, 2)).collect();
    let exists = |read: &Read| !(read.address..read.address + read.count).any(|r| r == 7 || r == 8);
    let mut open = plan(&wanted, &[span(0, 99)], &[], &slow_line());
    let (mut missing, mut served, mut asked) = (Vec::new(), Vec::new(), 0);
    while let Some(read) = open.pop() {
        asked += 1;
        if exists(&read) {
            served.extend(read.instances);
            continue;
        }
        match split(&read, &wanted) {
            Split::Halves(left, right) => open.extend([left, right]),
            Split::Missing(gone) => missing.extend(gone),
        }
    }
    missing.sort_unstable();
    served.sort_unstable();
    assert_eq!((missing, served), (vec![3, 4], vec![0, 1, 2, 5, 6, 7, 8]));
    assert!(asked <= 2 * 9, "{asked} requests");
}

/// The cheapest set of reads found by trying every way to hand the points to reads.
fn brute_force(
    wanted: &[Instance],
    spans: &[Span],
    clears: &[Span],
    cost: &Cost,
) -> Option<Duration> {
    let wanted_registers: BTreeSet<u16> = wanted
        .iter()
        .flat_map(|i| i.address..i.address + i.registers)
        .collect();
    let allowed = |from: u16, to: u16| {
        to - from < 125
            && spans.iter().any(|s| s.from <= from && s.to >= to)
            && (from..=to).all(|r| {
                wanted_registers.contains(&r)
                    || !clears.iter().any(|c| (c.from..=c.to).contains(&r))
            })
    };
    fn go(
        rest: &[Instance],
        sets: &mut Vec<(u16, u16)>,
        allowed: &dyn Fn(u16, u16) -> bool,
        cost: &Cost,
    ) -> Option<Duration> {
        let Some((next, rest)) = rest.split_first() else {
            return sets
                .iter()
                .map(|(from, to)| allowed(*from, *to).then(|| cost.of(Table::Input, to - from + 1)))
                .sum();
        };
        let (from, to) = (next.address, next.address + next.registers - 1);
        let mut best: Option<Duration> = None;
        for i in 0..=sets.len() {
            let kept = sets.clone();
            match sets.get_mut(i) {
                Some(set) => *set = (set.0.min(from), set.1.max(to)),
                None => sets.push((from, to)),
            }
            best = [best, go(rest, sets, allowed, cost)]
                .into_iter()
                .flatten()
                .min();
            *sets = kept;
        }
        best
    }
    go(wanted, &mut Vec::new(), &allowed, cost)
}

fn any_span(length: u16) -> impl Strategy<Value = Span> {
    (0..length, 0..length).prop_map(|(a, b)| span(a.min(b), a.max(b)))
}

proptest! {
    // Kind: invented
    #[test]
    fn plan_on_small_random_maps_costs_the_same_as_brute_force(
        points in prop::collection::vec((0u16..200, 1u16..40), 0..8),
        spans in prop::collection::vec(any_span(240), 1..4),
        clears in prop::collection::vec(any_span(240), 0..3),
        answer_ms in 0u64..60,
        fast in any::<bool>(),
    ) {
        let line = if fast { "115200-8N1" } else { "9600-8E1" };
        let cost = Cost { line: Some(line.parse().unwrap()), answer_time: Duration::from_millis(answer_ms) };
        let wanted: Vec<Instance> = points
            .iter()
            .filter(|(a, n)| spans.iter().any(|s| s.from <= *a && s.to >= a + n - 1))
            .map(|(a, n)| instance(Table::Input, *a, *n))
            .collect();
        let reads = plan(&wanted, &spans, &clears, &cost);
        prop_assert!(unplanned(&wanted, &reads).is_empty());
        prop_assert_eq!(Some(cycle_time(&reads, &cost)), brute_force(&wanted, &spans, &clears, &cost));
        for read in &reads {
            for index in &read.instances {
                let i = &wanted[*index];
                prop_assert!(read.address <= i.address && i.address + i.registers <= read.address + read.count);
            }
        }
    }
}
