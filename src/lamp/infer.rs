//! Ranks patterns by how likely each would have been seen as it was.
//!
//! For every pattern the probability of the edges is summed over the unknown phase, the unknown
//! rate (evenly over +-20 %: our choice, no tolerance is published) and every way to assign
//! seen edges to true ones, some missed, some doubled, some stray.
//!
//! # Invariants
//! - Probabilities of one ranking and of `other` sum to 1.
//! - Work is bounded by the number of edges: at most [`MOST_EDGES`] are looked at.

use super::assign::{Board, weigh_other};
use super::pattern::Pattern;
use super::ranking::{ENOUGH, PatternChange, Ranked, Ranking};
use super::rhythm::{FAR, Rhythm};
use super::seen::{LampSeen, Unclear};

/// Rate tolerance either way.
const RATE_TOLERANCE: f64 = 0.2;
/// Prior of "none of these patterns".
const PRIOR_OTHER: f64 = 0.01;
/// Prior of a less usual printed form of a pattern.
const PRIOR_VARIANT: f64 = 0.1;
/// Edges looked at, from the end; nobody needs more.
const MOST_EDGES: usize = 400;
/// The last part that is looked at is no longer than so many times the jitter of an edge. Rates are
/// tried in [`MOST_RATES`] steps over 40 %, so at the rim of a longer part even the nearest rate would
/// predict edges beside the true ones, and every pattern would look wrong.
const MOST_JITTERS: f64 = 2000.0;
/// But never shorter than this: three cycles of the slowest standard pattern.
const LEAST_WATCHED_MS: f64 = 9000.0;
/// Rates tried at most.
const MOST_RATES: u32 = 400;

/// Moments tried for a change of pattern.
const MOST_SPLITS: usize = 10;
/// A lamp that stays as it is for longer than any pause of a standard pattern is steady.
const LEAST_STEADY_MS: f64 = 1600.0;

/// Ranks the patterns for what was seen.
///
/// With single-key taps steady and flickering lamps are left out: nobody taps them.
#[must_use]
pub fn rank(seen: &LampSeen, patterns: &[Pattern]) -> Ranking {
    if let Some(why) = seen.unclear {
        return Ranking::unknown().unclear(why);
    }
    let mut ranking = rank_whole(seen, patterns);
    if let Some(rhythm) = Rhythm::of(seen).filter(|rhythm| rhythm.fills(seen)) {
        ranking = reconcile(ranking, rhythm, seen, patterns);
    }
    if !seen.observer.both_edges {
        ranking = ask_for_lit_time(ranking, patterns);
    }
    if ranking.other > 0.5 && ranking.unnamed.is_none() {
        ranking.change = find_change(seen, patterns);
    }
    ranking
}

/// Sets the probabilities against what was seen to repeat: a name must have its count and its times.
fn reconcile(ranking: Ranking, rhythm: Rhythm, seen: &LampSeen, patterns: &[Pattern]) -> Ranking {
    if seen.observer.is_person() {
        return reconcile_taps(ranking, rhythm, patterns);
    }
    let frame_ms = seen.observer.frame_ms();
    let misfit = |id: &str| {
        let pattern = patterns.iter().find(|pattern| pattern.id == id);
        pattern.map_or(f64::INFINITY, |pattern| rhythm.misfit(pattern, frame_ms))
    };
    let misfits: Vec<f64> = ranking.ranked.iter().map(|one| misfit(&one.id)).collect();
    let best = misfits.iter().copied().fold(f64::INFINITY, f64::min);
    if best > FAR && rhythm.is_quick(frame_ms) {
        return Ranking::unknown().unclear(Unclear::TooQuick);
    }
    if best > FAR {
        return ranking.unnamed(rhythm);
    }
    let (mut other, mut ranked) = (ranking.other, ranking.ranked);
    for (one, misfit) in ranked.iter_mut().zip(&misfits) {
        if *misfit > FAR {
            other += std::mem::take(&mut one.probability);
        } else if *misfit <= 1.0 {
            // Frames that were lost, or a long exposure, put edges where no rate predicts them.
            one.probability = one.probability.max(SEEN_TO_FIT * (1.0 - misfit / 20.0));
            one.period_ms = Some(rhythm.period_ms());
        }
    }
    if best <= 1.0 {
        other = other.min(1.0 - SEEN_TO_FIT);
    } else {
        // Neither the name nor another for sure.
        other = other.max(1.0 - ENOUGH + 0.1);
    }
    Ranking::from_weights(ranked, other)
}

/// A person's times are rough, but counts are counts.
fn reconcile_taps(ranking: Ranking, rhythm: Rhythm, patterns: &[Pattern]) -> Ranking {
    let flashes = rhythm.flashes();
    let count = |id: &str| {
        let pattern = patterns.iter().find(|pattern| pattern.id == id);
        pattern.map_or(0, |pattern| pattern.cycle_ms.len() / 2)
    };
    if flashes > 1
        && patterns
            .iter()
            .all(|pattern| pattern.cycle_ms.len() / 2 != flashes)
    {
        return ranking.unnamed(rhythm);
    }
    let Some(first) = ranking.first().map(|first| first.id.clone()) else {
        // No rate of a pattern is near.
        return ranking.unnamed(rhythm);
    };
    if count(&first) != flashes {
        // What was counted speaks against what fits best.
        return Ranking::from_weights(ranking.ranked, ranking.other + COUNTED_OTHERWISE);
    }
    ranking
}

/// With one key an even rhythm looks like short flashes in the same time.
fn ask_for_lit_time(ranking: Ranking, patterns: &[Pattern]) -> Ranking {
    let first = ranking
        .first()
        .map(|first| (first.id.clone(), first.probability));
    let Some((first, probability)) = first else {
        return ranking;
    };
    let pattern = patterns.iter().find(|pattern| pattern.id == first);
    let short = pattern.is_some_and(|pattern| {
        matches!(pattern.cycle_ms.as_slice(), [on, off] if on.max(off) > &(2 * on.min(off)))
    });
    if !short {
        return ranking;
    }
    let other = ranking.other + 0.8 * probability;
    Ranking::from_weights(ranking.ranked, other).unclear(Unclear::LitTime)
}

/// Weight of another pattern where the count is another one: enough to leave it open.
const COUNTED_OTHERWISE: f64 = 0.3;
/// Probability of a pattern whose count and times are those seen to repeat.
const SEEN_TO_FIT: f64 = 0.96;

fn rank_whole(seen: &LampSeen, patterns: &[Pattern]) -> Ranking {
    let seen = &latest(seen);
    let tapped = !seen.observer.both_edges;
    let candidates: Vec<&Pattern> = patterns
        .iter()
        .filter(|pattern| !(tapped && (pattern.is_steady() || pattern.period_ms() < 200)))
        .collect();
    let ranked = candidates
        .iter()
        .map(|pattern| {
            let (weight, period_ms) = weigh(pattern, seen);
            let wrong_level = seen
                .lit_at_start
                .is_some_and(|lit| (pattern.id == "on" && !lit) || (pattern.id == "off" && lit));
            let probability = if wrong_level { weight * 1e-3 } else { weight };
            Ranked {
                id: pattern.id.clone(),
                probability,
                period_ms,
            }
        })
        .collect::<Vec<_>>();
    let count = u32::try_from(candidates.len().max(1)).unwrap_or(1);
    let other = weigh_other(seen) * f64::from(count) * PRIOR_OTHER / (1.0 - PRIOR_OTHER);
    Ranking::from_weights(ranked, other)
}

/// The last part only: work stays bounded, and no unknown rate runs out of step in it.
fn latest(seen: &LampSeen) -> LampSeen {
    let longest_ms = (MOST_JITTERS * seen.observer.jitter_ms).max(LEAST_WATCHED_MS);
    let surplus = seen.edges.len().saturating_sub(MOST_EDGES);
    let last_edges = seen.edges.get(surplus).filter(|_| surplus > 0);
    let from_ms = last_edges.map_or(seen.from_ms, |edge| edge.at_ms - seen.observer.jitter_ms);
    let from_ms = from_ms.max(seen.to_ms - longest_ms);
    if from_ms > seen.from_ms {
        seen.part(from_ms, seen.to_ms)
    } else {
        seen.clone()
    }
}

/// Looks for a moment at which one pattern gave way to another.
fn find_change(seen: &LampSeen, patterns: &[Pattern]) -> Option<PatternChange> {
    let seen = &latest(seen);
    let mut best: Option<(f64, PatternChange)> = None;
    for at_ms in moments_of_change(seen) {
        let halves = (seen.part(seen.from_ms, at_ms), seen.part(at_ms, seen.to_ms));
        let (Some(before), Some(after)) = (
            sure_part(&halves.0, patterns),
            sure_part(&halves.1, patterns),
        ) else {
            continue;
        };
        let sure = before.1.min(after.1);
        let better = best.as_ref().is_none_or(|(so_far, _)| sure > *so_far);
        if before.0 != after.0 && sure >= 0.6 && better {
            let change = PatternChange {
                at_ms,
                before: before.0,
                after: after.0,
            };
            best = Some((sure, change));
        }
    }
    best.map(|(_, change)| change)
}

/// Between two edges, here and there; and where a lamp that did not change began to, or ceased.
fn moments_of_change(seen: &LampSeen) -> Vec<f64> {
    let ends = [
        seen.edges.first().map(|edge| edge.at_ms - 1.0),
        seen.edges.last().map(|edge| edge.at_ms + 1.0),
    ];
    let stride = (seen.edges.len() / MOST_SPLITS).max(1);
    let between = seen
        .edges
        .windows(2)
        .step_by(stride)
        .filter_map(|pair| match pair {
            [left, right] => Some(f64::midpoint(left.at_ms, right.at_ms)),
            _ => None,
        });
    ends.into_iter().flatten().chain(between).collect()
}

/// The pattern of a part, if there is enough of it.
fn sure_part(part: &LampSeen, patterns: &[Pattern]) -> Option<(String, f64)> {
    if part.edges.is_empty() {
        let long = part.to_ms - part.from_ms >= LEAST_STEADY_MS;
        let lit = part.lit_at_start.filter(|_| long)?;
        return Some(((if lit { "on" } else { "off" }).to_owned(), 1.0));
    }
    let ranking = (part.edges.len() >= 3).then(|| rank_whole(part, patterns))?;
    let first = ranking.first()?;
    // What is seen to repeat has its own count and times.
    let fits = |rhythm: Rhythm| {
        let pattern = patterns.iter().find(|pattern| pattern.id == first.id);
        pattern.is_some_and(|pattern| rhythm.misfit(pattern, part.observer.frame_ms()) <= FAR)
    };
    let rhythm = Rhythm::of(part).filter(|_| !part.observer.is_person());
    rhythm
        .is_none_or(fits)
        .then(|| (first.id.clone(), first.probability))
}

/// Probability density of what was seen under one pattern, and its most probable period.
fn weigh(pattern: &Pattern, seen: &LampSeen) -> (f64, Option<f64>) {
    if pattern.is_steady() {
        return (Board::new(seen).end(), None);
    }
    let usual = if pattern.variants_ms.is_empty() {
        1.0
    } else {
        1.0 - PRIOR_VARIANT
    };
    let (mut total, mut best) = weigh_cycle(&pattern.cycle_ms, seen);
    total *= usual;
    for variant in &pattern.variants_ms {
        let share =
            PRIOR_VARIANT / f64::from(u32::try_from(pattern.variants_ms.len()).unwrap_or(1));
        let (weight, period) = weigh_cycle(variant, seen);
        if weight * share > total {
            best = period;
        }
        total += weight * share;
    }
    (total, Some(best))
}

/// Averages over rate and phase.
fn weigh_cycle(cycle_ms: &[u32], seen: &LampSeen) -> (f64, f64) {
    let period: f64 = cycle_ms.iter().map(|time| f64::from(*time)).sum();
    let half_ms = ((seen.to_ms - seen.from_ms) / 2.0).max(500.0);
    let step_ms = 0.5 * seen.observer.jitter_ms;
    let rates = whole(2.0 * RATE_TOLERANCE * half_ms / step_ms).clamp(20, MOST_RATES);
    let phases = whole(period / step_ms).clamp(8, 400);
    let (mut total, mut best, mut best_period) = (0.0, 0.0, period);
    let mut board = Board::new(seen);
    for rate in 0..rates {
        let share = (f64::from(rate) + 0.5) / f64::from(rates);
        let stretch = 1.0 / (1.0 - RATE_TOLERANCE + 2.0 * RATE_TOLERANCE * share);
        let mut at_this_rate = 0.0;
        for phase in 0..phases {
            let offset = period * stretch * (f64::from(phase) + 0.5) / f64::from(phases);
            at_this_rate += board.weigh(cycle_ms, stretch, offset);
        }
        total += at_this_rate;
        if at_this_rate > best {
            (best, best_period) = (at_this_rate, period * stretch);
        }
    }
    (total / f64::from(rates) / f64::from(phases), best_period)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped right here"
)]
fn whole(number: f64) -> u32 {
    number.clamp(0.0, 1e6).ceil() as u32
}
