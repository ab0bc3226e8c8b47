//! Holds a draft against images of the unit: base, and of each point order, scale, offset, sign and type.
//!
//! Input: images and claims. Output: an [`Outcome`]. Does not: change a draft, or judge a unit.
//!
//! # How the base is found
//! Everything is weighed as the draft says, one register further and one before, and in the other table
//! where the draft leaves that open. Right places add up, wrong ones do not.

use packside_profiles::Role;
use packside_profiles::model::{Footing, Key, Kind, WordOrder};

use super::bench::Bench;
use super::claim::{Claim, Evidence, Named, Outcome, Shift, Weighed, differences};
use super::current;
use super::decades::doubt_decades;
use super::images::{Images, Register};
use super::plausible;
use super::reading::Reading;
use super::relate::{bounds, present};
use super::suppose::suppose;
use super::text::text_of;
use super::viable::{Candidate, Viable, viable, wide};
use super::voltage;

/// Difference in nats from which another base is excluded.
// Kind: derived (e^4 is fifty to one, e^2.5 twelve)
const BASE_MARGIN: f64 = 4.0;

/// The same where the document is the best.
const OWN_BASE_MARGIN: f64 = 2.5;

/// Weighs a draft against images. `further` are places of the whole draft that its numbering allows besides
/// those one register before and behind.
pub fn weigh(images: &Images, claims: &[Claim], further: &[Shift]) -> Outcome {
    let mut shifts = shifts(images, claims);
    shifts.extend(
        further
            .iter()
            .filter(|shift| is_there(images, claims, **shift)),
    );
    let mut benches: Vec<(Shift, Bench<'_>)> = shifts
        .into_iter()
        .map(|shift| (shift, at_shift(images, claims, shift)))
        .collect();
    let order = |bench: &(Shift, Bench<'_>)| {
        bench.1.score - f64::from(bench.0.registers.abs().min(2)) * 0.5
    };
    benches.sort_by(|a, b| order(b).total_cmp(&order(a)));
    let scores: Vec<(Shift, f64)> = benches.iter().map(|one| (one.0, order(one))).collect();
    let mut benches = benches.into_iter();
    let Some((shift, bench)) = benches.next() else {
        return none(claims);
    };
    let best = scores.first().map_or(0.0, |(_, score)| *score);
    let second = scores.get(1).map_or(f64::NEG_INFINITY, |(_, score)| *score);
    let margin = best - second;
    let needed = if shift == Shift::NONE {
        OWN_BASE_MARGIN
    } else {
        BASE_MARGIN
    };
    let near = scores
        .iter()
        .skip(1)
        .filter(|(_, score)| best - score < needed);
    let rivals: Vec<Shift> = near.map(|(shift, _)| *shift).collect();
    let is_proven = bench.proven.iter().any(Option::is_some);
    let shift_grade = match (rivals.is_empty(), is_proven) {
        (true, true) if margin >= BASE_MARGIN => Footing::Checked,
        (true, _) if shift == Shift::NONE => Footing::AsDocumentSays,
        (true, _) => Footing::Checked,
        (false, _) => Footing::Narrowed,
    };
    let points = (0..claims.len()).filter_map(|index| settle(&bench, index, shift_grade));
    let mut points: Vec<Weighed> = points.collect();
    doubt_orders(&bench, &mut points);
    doubt_decades(&bench, &mut points);
    Outcome {
        shift,
        shift_grade,
        shift_rivals: rivals,
        shift_margin: margin,
        points,
    }
}

fn none(claims: &[Claim]) -> Outcome {
    let points = claims
        .iter()
        .map(|claim| unseen(claim, Footing::AsDocumentSays));
    Outcome {
        shift: Shift::NONE,
        shift_grade: Footing::Open,
        shift_rivals: Vec::new(),
        shift_margin: 0.0,
        points: points.collect(),
    }
}

fn shifts(images: &Images, claims: &[Claim]) -> Vec<Shift> {
    // A row whose table the document names stays in it.
    let tables_are_open = claims.iter().all(|claim| claim.open.contains(&Key::Table));
    let nothing_there = claims.iter().all(|claim| !images.has_table(claim.table));
    let mut all = Vec::new();
    for other_table in [false, true] {
        if other_table && !tables_are_open && !nothing_there {
            continue;
        }
        for registers in [0, -1, 1] {
            all.push(Shift {
                registers,
                other_table,
            });
        }
    }
    all
}

/// Whether any register of the draft was seen at a place.
fn is_there(images: &Images, claims: &[Claim], shift: Shift) -> bool {
    let mut places = claims
        .iter()
        .flat_map(|claim| claim.instances.iter().map(|at| shift.of(claim.table, *at)));
    places.any(|place| place.is_some_and(|place| images.has(place)))
}

/// Weighs everything at one place.
fn at_shift<'a>(images: &'a Images, claims: &[Claim], shift: Shift) -> Bench<'a> {
    let claims = suppose(images, claims, shift);
    let viable: Vec<Viable> = claims
        .iter()
        .map(|claim| viable(images, claim, shift))
        .collect();
    let mut bench = Bench {
        images,
        claims,
        proven: vec![None; viable.len()],
        evidence: vec![Vec::new(); viable.len()],
        disproven: vec![false; viable.len()],
        viable,
        strings: None,
        score: 0.0,
    };
    for index in 0..bench.claims.len() {
        bench.score += seen(&mut bench, index, shift);
    }
    voltage::weigh(&mut bench);
    current::weigh(&mut bench);
    bench
}

/// What a point alone says of the place, nats.
fn seen(bench: &mut Bench<'_>, index: usize, shift: Shift) -> f64 {
    let (Some(claim), Some(viable)) = (bench.claims.get(index), bench.viable.get(index)) else {
        return 0.0;
    };
    let role = claim.role;
    if !viable.is_seen {
        bench.note(index, Evidence::NotSeen);
        return -0.7;
    }
    if claim.reading.kind == Kind::String {
        return texts(bench, index, shift);
    }
    let names = listed(claim, viable);
    if plausible::range(role).is_none() {
        return names;
    }
    let impossible = viable.impossible;
    let score = match (viable.candidates.first(), impossible) {
        (None, _) => -2.0,
        (Some(best), _) if best.cost < 0.5 => narrowness(role),
        (Some(best), _) => -0.5 * best.cost,
    };
    let counts = if role == Role::Uptime || role == Role::UnitClock {
        counting(bench, index)
    } else {
        0.0
    };
    if let Some(found) = impossible {
        bench.note(index, Evidence::Impossible { found });
    }
    score + counts + names
}

/// A value or bit that a document names is more likely there than elsewhere, one that it does not name less.
fn listed(claim: &Claim, viable: &Viable) -> f64 {
    let series = viable.candidates.first().map_or(&[][..], Candidate::first);
    let Some(number) = series.iter().flatten().next_back() else {
        return 0.0;
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a register or two, whole and not below zero"
    )]
    let raw = *number as u64;
    let is_named = match &claim.named {
        Named::Nothing => return 0.0,
        Named::Values(values) => values.contains(&raw),
        Named::Bits(mask) => raw & !mask == 0,
    };
    // Kind: from memory (nothing stands in many registers)
    match (is_named, raw) {
        (true, 0) => 0.2,
        (true, _) => 1.0,
        (false, _) => -2.0,
    }
}

/// How much it says that a number lies where its role can be: the less room, the more.
// Kind: derived (logarithm of the share of random registers that would lie there, rounded)
fn narrowness(role: Role) -> f64 {
    match role {
        Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin => 2.0,
        Role::UnitClock => 2.0,
        Role::CellTemperature | Role::CellTemperatureMax | Role::CellTemperatureMin => 1.0,
        Role::Soh | Role::Soc | Role::ModuleSoc => 1.0,
        Role::PackVoltage | Role::ModuleVoltage => 0.7,
        _ => 0.3,
    }
}

/// A counter of seconds must count them.
fn counting(bench: &mut Bench<'_>, index: usize) -> f64 {
    let times: Vec<Option<f64>> = bench.images.times().iter().copied().map(Some).collect();
    let candidates = bench.candidates(index).iter().enumerate();
    let counts = candidates.filter_map(|(place, candidate)| {
        let pairs = super::relate::pairs(&times, candidate.first());
        let rate = super::relate::slope(&pairs)?;
        let lasted = pairs.last()?.0 - pairs.first()?.0;
        let is_long = lasted >= 4.0 * candidate.reading.step().max(1.0);
        (is_long && (0.9..1.1).contains(&rate)).then_some((place, rate))
    });
    let counts: Vec<(usize, f64)> = counts.collect();
    let Some((_, per_second)) = counts.first().copied() else {
        return 0.0;
    };
    let places = counts.iter().map(|(place, _)| *place).collect();
    bench.prove(index, places, Evidence::CountsSeconds { per_second });
    4.0
}

/// Text that can be read, and begins where it should.
fn texts(bench: &mut Bench<'_>, index: usize, shift: Shift) -> f64 {
    let Some(claim) = bench.claims.get(index) else {
        return 0.0;
    };
    let words = |at: Register, count: u16| -> Vec<u16> {
        let word = |further| {
            let row = bench.images.row(at.plus(further)?)?;
            row.iter().rev().flatten().next().copied()
        };
        (0..count).map_while(word).collect()
    };
    let places = claim.instances.iter();
    let first = places
        .filter_map(|address| shift.of(claim.table, *address))
        .next();
    let Some(first) = first else { return 0.0 };
    let text = text_of(&words(first, claim.registers));
    let before = first
        .address
        .checked_sub(1)
        .map(|address| Register { address, ..first });
    let before = before.map(|before| text_of(&words(before, 1)));
    match text {
        Some(text) if text.len() >= 3 => {
            let begins = before.is_none_or(|before| before.is_none_or(|text| text.is_empty()));
            bench.note(index, Evidence::Text { text: text.into() });
            if begins { 2.0 } else { 1.0 }
        }
        Some(_) => 0.0,
        None => -1.5,
    }
}

/// A point of which nothing was read.
fn unseen(claim: &Claim, grade: Footing) -> Weighed {
    Weighed {
        role: claim.role,
        grade: if claim.open.is_empty() {
            grade
        } else {
            Footing::Open
        },
        reading: claim.reading,
        changed: Vec::new(),
        open: claim.open.clone(),
        evidence: vec![Evidence::NotSeen],
        rivals: Vec::new(),
    }
}

/// What one point comes to, with the role that its number gave it.
fn settle(bench: &Bench<'_>, index: usize, base: Footing) -> Option<Weighed> {
    let mut weighed = settled(bench, index, base)?;
    if bench.claims.get(index)?.is_supposed && weighed.role == Role::Other {
        // It had none by its words.
        weighed.changed.clear();
    } else if bench.claims.get(index)?.is_supposed {
        weighed.changed.insert(0, Key::Role);
        // Which of both voltages it is no number tells.
        if matches!(weighed.role, Role::PackVoltage | Role::TerminalVoltage) {
            weighed.grade = weighed.grade.min(Footing::AsDocumentSays);
        }
        weighed.evidence.push(Evidence::OnlyRow);
    }
    Some(weighed)
}

/// What one point comes to.
fn settled(bench: &Bench<'_>, index: usize, base: Footing) -> Option<Weighed> {
    let claim = bench.claims.get(index)?;
    let viable = bench.viable.get(index)?;
    let evidence = bench.evidence.get(index)?.clone();
    if bench.disproven.get(index) == Some(&true) && base.is_firm() {
        return Some(another(claim, evidence));
    }
    let Some(best) = bench.best(index) else {
        let mut weighed = unseen(claim, Footing::AsDocumentSays);
        if viable.impossible.is_some() {
            weighed.grade = Footing::Open;
            weighed.open = vec![Key::Scale, Key::Type, Key::Address];
        }
        // Texts: what was read there lies in that table, and characters have no order of words.
        if viable.is_seen && claim.reading.kind == Kind::String {
            weighed
                .open
                .retain(|key| !matches!(key, Key::Table | Key::Order));
            if weighed.open.is_empty() {
                weighed.grade = Footing::AsDocumentSays;
            }
        }
        if !evidence.is_empty() {
            weighed.evidence = evidence;
        }
        return Some(weighed);
    };
    let proven = bench.proven.get(index)?.as_ref();
    let left: Vec<&Candidate> = match proven {
        Some(proven) => proven
            .iter()
            .filter_map(|place| viable.candidates.get(*place))
            .collect(),
        None => viable.candidates.iter().collect(),
    };
    let rivals = rivals(claim, best, &left, proven.is_some());
    let mut rivals: Vec<Reading> = rivals.iter().map(|one| one.reading).collect();
    let (best, evidence) = with_sign(claim, best, evidence, viable, &mut rivals);
    let best = &best;
    let changed = differences(&claim.reading, &best.reading);
    // A number whose step the document states; sign and order may have been seen.
    let is_stated = !changed
        .iter()
        .any(|key| matches!(key, Key::Scale | Key::Offset));
    let is_narrow = plausible::leaves_one_decade(claim.role)
        && !present(best.first()).is_empty()
        && (!wide(best.reading.kind) || viable.order_is_known || has_one_order(viable));
    // What the document states is no rival where no battery has such a number.
    let may_be_stated = viable.impossible.is_none();
    if proven.is_none() && !is_stated && !is_narrow && may_be_stated && rivals.is_empty() {
        rivals.push(claim.reading);
    }
    let tells = |one: &Evidence| matches!(one, Evidence::Responds { .. } | Evidence::SameDirection);
    let is_told = evidence.iter().any(tells);
    let mut weighed = Weighed {
        role: claim.role,
        grade: Footing::Narrowed,
        reading: best.reading,
        changed,
        open: left_open(claim, viable, &best.reading, &rivals, is_told),
        evidence,
        rivals,
    };
    say_why(&mut weighed, viable, best, proven.is_some());
    // What a document says of the direction one reading does not show.
    let is_one_way = plausible::has_direction(claim.role) && !is_told;
    // A number that lies where its role can be is no check, however narrow that is: set-points lie there too.
    weighed.grade = match (weighed.open.is_empty(), proven.is_some()) {
        // Narrowed is what has other readings to name.
        (false, _) if weighed.rivals.is_empty() => Footing::Open,
        (false, _) => Footing::Narrowed,
        (true, _) if is_one_way => Footing::AsDocumentSays,
        (true, true) if base == Footing::Checked => Footing::Checked,
        (true, _) => Footing::AsDocumentSays,
    };
    Some(weighed)
}

/// A point that the unit shows to be for something else than the document says.
fn another(claim: &Claim, evidence: Vec<Evidence>) -> Weighed {
    let own = claim.open.iter().copied();
    let mut open: Vec<Key> = own.filter(|key| *key != Key::Table).collect();
    open.retain(|key| *key != Key::Order || wide(claim.reading.kind));
    open.push(Key::Role);
    Weighed {
        role: Role::Other,
        grade: Footing::Open,
        reading: claim.reading,
        changed: vec![Key::Role],
        open,
        evidence,
        rivals: Vec::new(),
    }
}

/// What an unsigned reading of something that falls below zero comes to: the signed one, where no unit in use
/// reaches so far that it would differ, else both. Of a temperature an offset may have been left out instead.
fn with_sign(
    claim: &Claim,
    best: &Candidate,
    mut evidence: Vec<Evidence>,
    viable: &Viable,
    rivals: &mut Vec<Reading>,
) -> (Candidate, Vec<Evidence>) {
    let (signed, half) = match best.reading.kind {
        Kind::U16 => (Kind::I16, 32_768.0),
        Kind::U32 => (Kind::I32, 2_147_483_648.0),
        _ => return (best.clone(), evidence),
    };
    let is_warmth = plausible::is_temperature(claim.role);
    let falls = plausible::has_direction(claim.role) || is_warmth;
    // What is below half of it is the same number with a sign.
    let is_below = best
        .series
        .iter()
        .all(|one| bounds(one).is_none_or(|(_, high)| high < half * best.reading.scale.abs()));
    let same = is_below.then(|| Candidate {
        reading: Reading {
            kind: signed,
            ..best.reading
        },
        ..best.clone()
    });
    let Some(same) = same.filter(|_| falls && best.reading.offset == 0.0) else {
        return (best.clone(), evidence);
    };
    if half * best.reading.scale.abs() < plausible::beyond(claim.role) {
        rivals.push(same.reading);
        return (best.clone(), evidence);
    }
    let (least, most) = plausible::USUAL_TEMPERATURE;
    let shifted = viable.candidates.iter().filter(|one| {
        let is_usual = bounds(one.first()).is_some_and(|(low, high)| low >= least && high <= most);
        is_warmth
            && is_usual
            && one.reading.offset != 0.0
            && one.reading.kind == best.reading.kind
            && one.reading.scale == best.reading.scale
    });
    rivals.extend(shifted.map(|one| one.reading));
    evidence.push(Evidence::FallsBelowZero);
    (same, evidence)
}

/// The keys in which what is left differs, and what no number can tell.
fn left_open(
    claim: &Claim,
    viable: &Viable,
    best: &Reading,
    rivals: &[Reading],
    is_told: bool,
) -> Vec<Key> {
    let mut open: Vec<Key> = Vec::new();
    for key in rivals.iter().flat_map(|rival| differences(best, rival)) {
        if !open.contains(&key) {
            open.push(key);
        }
    }
    let untold = |key: &&Key| matches!(key, Key::Role | Key::Count | Key::Value | Key::Unit);
    open.extend(claim.open.iter().filter(untold).copied());
    if claim.open.contains(&Key::Order)
        && is_undecided(claim, viable)
        && !has_one_order(viable)
        && !open.contains(&Key::Order)
    {
        open.push(Key::Order);
    }
    // One reading shows no direction: what nobody said stays open, whatever stands there.
    let is_unsaid = claim.open.contains(&Key::Positive) || best.positive.is_none();
    let has_direction = plausible::has_direction(claim.role);
    if has_direction && is_unsaid && !is_told && !open.contains(&Key::Positive) {
        open.push(Key::Positive);
    }
    open
}

fn say_why(weighed: &mut Weighed, viable: &Viable, best: &Candidate, is_proven: bool) {
    if weighed.rivals.is_empty() && !weighed.changed.is_empty() && !is_proven {
        weighed.evidence.push(Evidence::OnlyPossible);
    }
    if viable.order_is_known {
        weighed.evidence.push(Evidence::OtherOrderJumps);
    }
    if weighed.evidence.is_empty()
        && let Some((low, high)) = bounds(best.first())
    {
        weighed.evidence.push(Evidence::Possible { low, high });
    }
}

/// Where the words of other points show that the document has their order wrong, those that cannot tell are
/// doubtful. Where the document says nothing of it, they go with the others, if these are of one mind.
fn doubt_orders(bench: &Bench<'_>, points: &mut [Weighed]) {
    let known = |index: usize| {
        let viable = bench.viable.get(index);
        let is_proven = bench.proven.get(index).is_some_and(Option::is_some);
        viable.is_some_and(|viable| viable.order_is_known || is_proven || has_one_order(viable))
    };
    let is_split = |weighed: &Weighed| {
        let own = weighed.reading.order;
        weighed.rivals.iter().any(|rival| rival.order != own)
    };
    let is_wide = |weighed: &Weighed| weighed.reading.width().is_some_and(|width| width > 1);
    let turned = |weighed: &Weighed| weighed.changed.contains(&Key::Order);
    let tells = |index: usize, one: &Weighed| is_wide(one) && known(index) && !is_split(one);
    let told = || {
        let all = points.iter().enumerate();
        all.filter(|(index, one)| tells(*index, one))
    };
    let is_doubtful = told().any(|(_, weighed)| turned(weighed));
    let orders: Vec<WordOrder> = told().map(|(_, weighed)| weighed.reading.order).collect();
    let common = orders
        .first()
        .copied()
        .filter(|first| orders.len() >= ONE_MIND && orders.iter().all(|order| order == first));
    for (index, weighed) in points.iter_mut().enumerate() {
        let is_open = weighed.open.contains(&Key::Order);
        if !is_wide(weighed) || turned(weighed) || !(is_doubtful || is_open) {
            continue;
        }
        if tells(index, weighed) || common == Some(weighed.reading.order) {
            settle_order(weighed);
        }
        if known(index) || common == Some(weighed.reading.order) {
            continue;
        }
        let order = match weighed.reading.order {
            WordOrder::HighFirst => WordOrder::LowFirst,
            WordOrder::LowFirst => WordOrder::HighFirst,
        };
        weighed.rivals.push(Reading {
            order,
            ..weighed.reading
        });
        weighed.grade = Footing::Narrowed;
        if !is_open {
            weighed.open.push(Key::Order);
        }
    }
}

/// So many points that show their order of words, and none that shows the other, speak for the rest.
const ONE_MIND: usize = 2;

/// Whether every reading that is possible has the same order, of numbers: bits have no other to be excluded.
fn has_one_order(viable: &Viable) -> bool {
    let mut all = viable.candidates.iter().map(|one| one.reading);
    let first = all.next();
    first.is_some_and(|first| wide(first.kind) && all.all(|one| one.order == first.order))
}

/// Takes the order out of what is open, with the readings that differ in nothing else.
fn settle_order(weighed: &mut Weighed) {
    weighed.open.retain(|key| *key != Key::Order);
    let own = weighed.reading.order;
    weighed.rivals.retain(|rival| rival.order == own);
    if !weighed.grade.is_firm() {
        weighed.grade = match (weighed.open.is_empty(), weighed.rivals.is_empty()) {
            (true, _) => Footing::AsDocumentSays,
            (false, true) => Footing::Open,
            (false, false) => Footing::Narrowed,
        };
    }
}

/// Whether the order of words is left open and the words do not tell.
fn is_undecided(claim: &Claim, viable: &Viable) -> bool {
    !viable.order_is_known && claim.reading.width().is_some_and(|width| width > 1)
}

/// Candidates that are not excluded and give other numbers than the best.
fn rivals<'a>(
    claim: &Claim,
    best: &Candidate,
    left: &[&'a Candidate],
    is_proven: bool,
) -> Vec<&'a Candidate> {
    // The document counts: what it states and is possible excludes what it does not say. Where it left
    // something open, or states what is impossible, everything as near to it remains.
    let reach = if is_proven {
        f64::INFINITY
    } else if best.cost < 0.5 {
        best.cost
            .max(if claim.open.is_empty() { 0.0 } else { 0.45 })
    } else {
        best.cost + 0.9
    };
    let mut rivals: Vec<&Candidate> = Vec::new();
    for one in left {
        let is_near = one.cost <= reach + 1e-9;
        let is_new = !one.is_same(best) && !rivals.iter().any(|rival| rival.is_same(one));
        if is_near && is_new {
            rivals.push(one);
        }
    }
    rivals
}
