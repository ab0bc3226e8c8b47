//! Turns a brightness trace (CSV of seconds,level) into edges.
//!
//! Any scale, uneven sampling, drift, ambient steps and clipping are expected; the program finds
//! the swing of the lamp itself. Does not: find the lamp in a picture.
//!
//! # Why a search and not a threshold
//! A sun that moves shifts every fixed threshold, and a step of ambient light looks like an edge.
//! Every candidate swing is tried by following the [`BEAM`] cheapest histories (lit or not, own
//! baseline); the cheapest history that explains the whole trace wins.

use super::seen::{Edge, Observer, Seen};

/// Histories followed at once.
const BEAM: usize = 12;
/// Cost of an edge, in units of log-likelihood.
const EDGE_COST: f64 = 1.5;
/// Cost of a step of ambient light.
const AMBIENT_COST: f64 = 14.0;
/// Samples looked at: ten minutes at 60 per second.
const MOST_SAMPLES: usize = 36_000;
/// A swing below this many times the noise is no swing.
const LEAST_SWING: f64 = 6.0;
/// Fewer edges are steps of ambient light, or no cycle.
const LEAST_EDGES: usize = 4;

/// Why a trace cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TraceProblem {
    /// A line is no pair of numbers.
    #[error("line {line}: expected seconds,level, found \"{found}\"")]
    NotNumbers {
        /// Line, from 1.
        line: usize,
        /// Its text, shortened.
        found: String,
    },
    /// Time does not advance.
    #[error("line {line}: expected a later time than in the line before")]
    TimeRunsBack {
        /// Line, from 1.
        line: usize,
    },
    /// Too few samples.
    #[error("expected at least 20 samples, found {found}")]
    TooShort {
        /// Samples.
        found: usize,
    },
    /// Too many samples.
    #[error("expected at most 36000 samples")]
    TooLong,
}

/// Reads a trace. A first line of column names, empty lines and `#` remarks are skipped;
/// comma, semicolon, tab or blanks separate.
///
/// # Errors
/// A line that is no pair of finite numbers, time that runs back, too few or too many samples.
pub fn read_trace(text: &str) -> Result<Seen, TraceProblem> {
    let samples = parse(text)?;
    Ok(find_edges(&samples))
}

fn parse(text: &str) -> Result<Vec<(f64, f64)>, TraceProblem> {
    let mut samples: Vec<(f64, f64)> = Vec::new();
    let mut heading_allowed = true;
    for (index, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line_text = line.trim();
        if line_text.is_empty() || line_text.starts_with('#') {
            continue;
        }
        let mut fields = line_text
            .split([',', ';', '\t', ' '])
            .filter(|field| !field.is_empty())
            .map(|field| {
                field
                    .parse::<f64>()
                    .ok()
                    .filter(|number| number.abs() < 1e12)
            });
        let pair = fields.next().flatten().zip(fields.next().flatten());
        let was_first = std::mem::replace(&mut heading_allowed, false);
        match pair {
            None if was_first => {}
            None => {
                let found = line_text.chars().take(40).collect();
                return Err(TraceProblem::NotNumbers {
                    line: index + 1,
                    found,
                });
            }
            Some((seconds, level)) => {
                let at_ms = seconds * 1000.0;
                if samples.last().is_some_and(|last| last.0 >= at_ms) {
                    return Err(TraceProblem::TimeRunsBack { line: index + 1 });
                }
                samples.push((at_ms, level));
            }
        }
        if samples.len() > MOST_SAMPLES {
            return Err(TraceProblem::TooLong);
        }
    }
    if samples.len() < 20 {
        return Err(TraceProblem::TooShort {
            found: samples.len(),
        });
    }
    Ok(samples)
}

/// One history of the lamp.
#[derive(Clone, Copy)]
struct History {
    lit: bool,
    baseline: f64,
    cost: f64,
    back: usize,
}

fn find_edges(samples: &[(f64, f64)]) -> Seen {
    let gaps: Vec<f64> = differences(samples, |sample| sample.0);
    let frame_ms = quantile(gaps, 0.5);
    let rises: Vec<f64> = differences(samples, |sample| sample.1)
        .iter()
        .map(|rise| rise.abs())
        .collect();
    let large = quantile(rises.clone(), 0.97);
    let quiet = quantile(rises, 0.3) / 0.545; // 30 % of |differences| lie below 0.385 x 1.414 noise.
    let levels: Vec<f64> = samples.iter().map(|sample| sample.1).collect();
    let range = quantile(levels.clone(), 1.0) - quantile(levels, 0.0);
    let mut best = (spread_without_lamp(samples), None);
    for swing in [
        large * 0.75,
        large * 0.87,
        large,
        range * 0.55,
        range * 0.7,
        range * 0.85,
        range,
    ] {
        let noise = quiet.clamp(swing * 0.02, swing * 0.12).max(1e-9);
        let (lit, rms) = follow(samples, swing, noise);
        let rms = rms.max(range * 1e-4).max(1e-9);
        let edges = lit
            .windows(2)
            .filter(|pair| pair.first() != pair.last())
            .count();
        let score = per_sample(samples.len()) * rms.ln() + EDGE_COST * per_sample(edges);
        if edges >= LEAST_EDGES && swing > LEAST_SWING * rms && score < best.0 {
            best = (score, Some(lit));
        }
    }
    let from_ms = samples.first().map_or(0.0, |sample| sample.0);
    let to_ms = samples.last().map_or(0.0, |sample| sample.0);
    let observer = Observer::camera(frame_ms);
    let edges = best
        .1
        .map(|lit| edges_of(samples, &lit))
        .unwrap_or_default();
    Seen {
        edges,
        from_ms,
        to_ms,
        observer,
        lit_at_start: None,
    }
}

/// Score of "the lamp does not change": slow drift and a few steps only.
fn spread_without_lamp(samples: &[(f64, f64)]) -> f64 {
    let levels: Vec<f64> = samples.iter().map(|sample| sample.1).collect();
    let range = quantile(levels.clone(), 1.0) - quantile(levels, 0.0);
    let (_, rms) = follow(samples, 0.0, (range * 0.05).max(1e-9));
    per_sample(samples.len()) * rms.max(range * 1e-4).max(1e-9).ln()
}

#[expect(clippy::cast_precision_loss, reason = "at most 36000 samples")]
fn per_sample(count: usize) -> f64 {
    count as f64
}

/// The cheapest history under one swing: lit or not per sample, and the remaining noise.
fn follow(samples: &[(f64, f64)], swing: f64, noise: f64) -> (Vec<bool>, f64) {
    let first = samples.first().map_or(0.0, |sample| sample.1);
    let start = |lit| History {
        lit,
        baseline: first - level(lit, swing),
        cost: 0.0,
        back: 0,
    };
    let mut layers: Vec<Vec<History>> = vec![vec![start(false), start(true)]];
    for (_, seen) in samples.iter().skip(1) {
        let mut next = Vec::with_capacity(BEAM * 4);
        for (back, history) in layers.last().into_iter().flatten().enumerate() {
            for lit in [history.lit, !history.lit] {
                if swing == 0.0 && lit != history.lit {
                    continue;
                }
                let off = (seen - history.baseline - level(lit, swing)) / noise;
                let cost = history.cost + if lit == history.lit { 0.0 } else { EDGE_COST };
                let baseline = history.baseline + 0.15 * off.clamp(-4.0, 4.0) * noise;
                next.push(History {
                    lit,
                    baseline,
                    cost: cost + 0.5 * off * off,
                    back,
                });
                let baseline = seen - level(lit, swing);
                next.push(History {
                    lit,
                    baseline,
                    cost: cost + AMBIENT_COST,
                    back,
                });
            }
        }
        next.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        layers.push(keep_different(next, noise));
    }
    let lit = trace_back(&layers);
    let rms = remaining_noise(samples, &lit, swing);
    (lit, rms)
}

/// Histories that differ by less than half the noise are one.
fn keep_different(sorted: Vec<History>, noise: f64) -> Vec<History> {
    let mut kept: Vec<History> = Vec::with_capacity(BEAM);
    for one in sorted {
        let same = |other: &History| {
            other.lit == one.lit && (other.baseline - one.baseline).abs() < 0.5 * noise
        };
        if !kept.iter().any(same) {
            kept.push(one);
        }
        if kept.len() == BEAM {
            break;
        }
    }
    kept
}

fn level(lit: bool, swing: f64) -> f64 {
    if lit { swing } else { 0.0 }
}

fn trace_back(layers: &[Vec<History>]) -> Vec<bool> {
    let mut lit = Vec::with_capacity(layers.len());
    let mut at = 0;
    for layer in layers.iter().rev() {
        let Some(history) = layer.get(at) else { break };
        lit.push(history.lit);
        at = history.back;
    }
    lit.reverse();
    lit
}

/// Noise left between neighbours after the lamp is taken out; robust against ambient steps.
fn remaining_noise(samples: &[(f64, f64)], lit: &[bool], swing: f64) -> f64 {
    let flat: Vec<(f64, f64)> = samples
        .iter()
        .zip(lit)
        .map(|((at, seen), lit)| (*at, seen - level(*lit, swing)))
        .collect();
    let mut squares: Vec<f64> = differences(&flat, |sample| sample.1)
        .iter()
        .map(|rise| rise * rise / 2.0)
        .collect();
    squares.sort_by(f64::total_cmp);
    let kept = squares.len().saturating_sub(4).max(1);
    (squares.iter().take(kept).sum::<f64>() / per_sample(kept)).sqrt()
}

fn edges_of(samples: &[(f64, f64)], lit: &[bool]) -> Vec<Edge> {
    let states: Vec<(f64, bool)> = samples
        .iter()
        .zip(lit)
        .map(|(sample, lit)| (sample.0, *lit))
        .collect();
    states
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] if before.1 != after.1 => Some(Edge {
                at_ms: f64::midpoint(before.0, after.0),
                lit: after.1,
            }),
            _ => None,
        })
        .collect()
}

fn differences(samples: &[(f64, f64)], of: impl Fn(&(f64, f64)) -> f64) -> Vec<f64> {
    samples
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] => Some(of(after) - of(before)),
            _ => None,
        })
        .collect()
}

fn quantile(mut numbers: Vec<f64>, share: f64) -> f64 {
    numbers.sort_by(f64::total_cmp);
    let last = per_sample(numbers.len().saturating_sub(1));
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0..=last"
    )]
    let index = (last * share).round() as usize;
    numbers.get(index).copied().unwrap_or(0.0)
}
