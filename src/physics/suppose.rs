//! Roles for rows whose words a document leaves open: its unit and step are known, so the number may tell.
//!
//! Does not: give a role that the words exclude, nor one of alarms, states, codes or limits: no number tells those.
//!
//! # Why only what is alone
//! A number that fits a role says little where another fits it as well. So a row gets a role only where it is the
//! only row that fits, and where what is known of the others speaks for it or leaves nothing else of its unit.

use packside_profiles::Role;
use packside_profiles::model::{Key, Kind};

use super::claim::{Claim, Shift};
use super::images::Images;
use super::plausible;
use super::relate::{highest, lowest, middle, pairs, slope};
use super::text::text_of;
use super::viable::{Candidate, viable, wide};

/// Share by which two ways to measure one voltage differ at most.
// Kind: common practice
const SAME_VOLTAGE: f64 = 0.012;

/// The same of two voltages that are nearly one: of the pack and of the terminals.
// Kind: common practice
const SAME_STACK: f64 = 0.0025;

/// Voltages of a cell by which makers rate a battery, V.
// Kind: common practice
const RATED_CELL: [f64; 6] = [2.3, 3.2, 3.6, 3.65, 3.7, 2.4];

/// By how much a highest or lowest cell read a moment later may differ, V.
// Kind: common practice
const SAME_CELL: f64 = 0.004;

/// The same of temperatures, K.
// Kind: common practice
const SAME_WARMTH: f64 = 0.6;

/// Cells of one battery rarely lie further apart, V.
// Kind: common practice
const CELLS_APART: f64 = 0.6;

/// The claims, with a role for each row that fits one and is alone in it.
pub(crate) fn suppose(images: &Images, claims: &[Claim], shift: Shift) -> Vec<Claim> {
    let mut desk = Desk {
        images,
        shift,
        claims: claims.to_vec(),
    };
    if desk.claims.iter().any(is_open) {
        desk.cells();
        desk.extremes();
        desk.modules();
        desk.stack();
        desk.warmth();
        desk.charge();
        desk.flow();
        desk.alone();
        desk.texts();
    }
    desk.claims
}

/// Whether a row has no role yet and may have one.
fn is_open(claim: &Claim) -> bool {
    claim.role == Role::Other && !claim.may_be.is_empty() && !claim.is_part
}

struct Desk<'a> {
    images: &'a Images,
    shift: Shift,
    claims: Vec<Claim>,
}

/// A row with what it would be in a role.
struct Fit {
    index: usize,
    /// Of each instance.
    numbers: Vec<f64>,
    step: f64,
    is_signed: bool,
}

impl Fit {
    /// What is no number.
    fn of_text(index: usize) -> Self {
        Self {
            index,
            numbers: Vec::new(),
            step: 0.0,
            is_signed: false,
        }
    }

    fn first(&self) -> f64 {
        self.numbers.first().copied().unwrap_or(f64::NAN)
    }

    fn sum(&self) -> f64 {
        self.numbers.iter().sum()
    }

    fn spread(&self) -> f64 {
        highest(&self.numbers) - lowest(&self.numbers)
    }
}

impl Desk<'_> {
    /// A claim as it would be read in a role, as near to the document as it can be.
    fn read(&self, index: usize, role: Role) -> Option<(Fit, Candidate)> {
        let claim = Claim {
            role,
            ..self.claims.get(index)?.clone()
        };
        let found = viable(self.images, &claim, self.shift);
        let is_stated = !claim.open.contains(&Key::Scale) || plausible::leaves_one_decade(role);
        let best = found.candidates.into_iter().next();
        let best = best.filter(|best| is_stated && best.cost < 0.5)?;
        let numbers = best.series.iter().filter_map(|one| middle(one)).collect();
        let kind = best.reading.kind;
        let fit = Fit {
            index,
            numbers,
            step: best.reading.step(),
            is_signed: best.reading.offset < 0.0
                || best.reading.is_float()
                || matches!(kind, Kind::I16 | Kind::I32 | Kind::I64),
        };
        Some((fit, best))
    }

    /// What has a role by its words or by now.
    fn known(&self, role: Role) -> Option<Fit> {
        let mut claims = self.claims.iter();
        let index = claims.position(|claim| claim.role == role && !claim.is_part)?;
        self.read(index, role).map(|(fit, _)| fit)
    }

    fn is_missing(&self, role: Role) -> bool {
        self.claims.iter().all(|claim| claim.role != role)
    }

    /// Open rows that may have a role, one or several of a kind.
    fn rows(&self, role: Role, several: bool) -> Vec<Fit> {
        let open = self.claims.iter().enumerate();
        let open = open.filter(|(_, claim)| {
            is_open(claim) && claim.may_be.contains(&role) && (claim.instances.len() > 1) == several
        });
        open.filter_map(|(index, _)| self.read(index, role).map(|(fit, _)| fit))
            .collect()
    }

    /// Gives a role to the only row that fits, if there is one, and the role is still free.
    fn give(&mut self, role: Role, fitting: &[Fit]) {
        if let ([one], true) = (fitting, self.is_missing(role))
            && let Some(claim) = self.claims.get_mut(one.index)
        {
            claim.role = role;
            claim.is_supposed = true;
            claim.open.retain(|key| *key != Key::Role);
        }
    }

    /// Cells: many alike numbers that add up to the pack, or have its extremes.
    fn cells(&mut self) {
        let pack = self.stack_voltage();
        let extremes = [Role::CellVoltageMax, Role::CellVoltageMin].map(|role| self.known(role));
        let mut rows = self.rows(Role::CellVoltage, true);
        rows.extend(self.mistaken_for_modules());
        rows.retain(|row| {
            let cells = row.numbers.len();
            let adds_up = pack.map(|pack| {
                strings(cells).any(|strings| {
                    near(
                        row.sum() / strings as f64,
                        pack,
                        SAME_VOLTAGE * pack + row.step,
                    )
                })
            });
            let bounds = [highest(&row.numbers), lowest(&row.numbers)];
            let has_extremes = extremes.iter().zip(bounds).map(|(known, own)| {
                let known = known.as_ref()?;
                Some(near(known.first(), own, SAME_CELL + row.step + known.step))
            });
            let has_extremes: Vec<bool> = has_extremes.flatten().collect();
            let is_shown = match (adds_up, has_extremes.is_empty()) {
                (Some(true), _) => true,
                (_, false) => has_extremes.iter().all(|holds| *holds),
                (None, true) => cells >= 12,
                (Some(false), true) => false,
            };
            cells >= 2 && row.spread() < CELLS_APART && is_shown
        });
        self.give(Role::CellVoltage, &rows);
    }

    /// Modules that have the voltage of one cell.
    fn mistaken_for_modules(&self) -> Option<Fit> {
        let modules = self
            .claims
            .iter()
            .position(|claim| claim.role == Role::ModuleVoltage);
        let (fit, best) = self.read(modules?, Role::CellVoltage)?;
        (best.cost < 0.05 && fit.numbers.len() > 3).then_some(fit)
    }

    /// Voltage of the pack or the terminals, if one of both is known.
    fn stack_voltage(&self) -> Option<f64> {
        let known = [Role::PackVoltage, Role::TerminalVoltage].map(|role| self.known(role));
        let known = known.into_iter().flatten().map(|fit| fit.first());
        known.filter(|volts| *volts > 0.0).reduce(f64::max)
    }

    /// The highest and the lowest cell.
    fn extremes(&mut self) {
        let (high, low) = (Role::CellVoltageMax, Role::CellVoltageMin);
        self.bounds_of(Role::CellVoltage, (high, low), SAME_CELL);
        // With one of both known and one row left that lies on its other side.
        self.other_side((high, low), 0.0, CELLS_APART);
    }

    /// Highest and lowest of something that is known, each nearer to its own side than to the mean.
    fn bounds_of(&mut self, of: Role, (high, low): (Role, Role), bears: f64) {
        let Some(all) = self.known(of).filter(|all| all.numbers.len() > 1) else {
            return;
        };
        let mean = all.sum() / all.numbers.len() as f64;
        for (role, bound) in [(high, highest(&all.numbers)), (low, lowest(&all.numbers))] {
            let mut rows = self.rows(role, false);
            rows.retain(|row| {
                let apart = (row.first() - bound).abs();
                apart <= bears + row.step.max(all.step) && apart < 0.6 * (row.first() - mean).abs()
            });
            self.give(role, &rows);
        }
    }

    fn other_side(&mut self, (high, low): (Role, Role), least: f64, most: f64) {
        for (known, role, sign) in [(high, low, 1.0), (low, high, -1.0)] {
            let Some(known) = self.known(known).filter(|_| self.is_missing(role)) else {
                continue;
            };
            let rows = self.rows(role, false);
            let fits = |row: &Fit| {
                let apart = sign * (known.first() - row.first());
                apart >= least - known.step && apart <= most
            };
            // A row that does not fit may be this one all the same, misread.
            if rows.iter().all(fits) {
                self.give(role, &rows);
            }
        }
    }

    /// Modules: what adds up to the pack, or to which cells add up.
    fn modules(&mut self) {
        let cells = self.known(Role::CellVoltage);
        let whole = self.stack_voltage().or(cells.map(|cells| cells.sum()));
        let mut rows = self.rows(Role::ModuleVoltage, true);
        rows.retain(|row| {
            let least = lowest(&row.numbers);
            let bears = |whole: f64| SAME_VOLTAGE * whole + row.step * row.numbers.len() as f64;
            least > plausible::CELL.1
                && whole.is_some_and(|whole| near(row.sum(), whole, bears(whole)))
        });
        self.give(Role::ModuleVoltage, &rows);
    }

    /// Voltages of the pack and of the terminals.
    fn stack(&mut self) {
        let Some((references, is_sum)) = self.references() else {
            // The only voltage that is none of a cell.
            let mut rows = self.rows(Role::PackVoltage, false);
            rows.retain(|row| row.first() > plausible::CELL.1);
            return self.give(Role::PackVoltage, &rows);
        };
        let share = if is_sum { SAME_VOLTAGE } else { SAME_STACK };
        let of_stack = |desk: &Self, role: Role| {
            let mut rows = desk.rows(role, false);
            rows.retain(|row| {
                row.first() > plausible::CELL.1
                    && (is_sum || !is_rated(row))
                    && references
                        .iter()
                        .any(|whole| near(row.first(), *whole, share * whole + row.step))
            });
            rows
        };
        let packs = of_stack(self, Role::PackVoltage);
        let terminals = of_stack(self, Role::TerminalVoltage);
        // Which of two is which no number tells, and of one it is the pack (common practice).
        if packs.len() == 1 && (is_sum || !self.is_missing(Role::TerminalVoltage)) {
            self.give(Role::PackVoltage, &packs);
        } else if !self.is_missing(Role::PackVoltage) {
            self.give(Role::TerminalVoltage, &terminals);
        }
    }

    /// What a voltage of the stack must be near, and whether it was added up.
    fn references(&self) -> Option<(Vec<f64>, bool)> {
        if let Some(modules) = self.known(Role::ModuleVoltage) {
            return Some((vec![modules.sum()], true));
        }
        if let Some(cells) = self.known(Role::CellVoltage) {
            let all = strings(cells.numbers.len()).map(|strings| cells.sum() / strings as f64);
            return Some((all.collect(), true));
        }
        if let Some(volts) = self.stack_voltage() {
            return Some((vec![volts], false));
        }
        let (current, power) = (self.known(Role::PackCurrent)?, self.known(Role::PackPower)?);
        let flows =
            current.first().abs() > 30.0 * current.step && power.first().abs() > 30.0 * power.step;
        flows.then(|| (vec![(power.first() / current.first()).abs()], true))
    }

    /// Temperatures of cells, the highest and the lowest.
    fn warmth(&mut self) {
        let (high, low) = (Role::CellTemperatureMax, Role::CellTemperatureMin);
        let bounds = [high, low].map(|role| self.known(role));
        let mut rows = self.rows(Role::CellTemperature, true);
        let is_several = rows.len() > 1;
        rows.retain(|row| {
            let own = [highest(&row.numbers), lowest(&row.numbers)];
            let mut both = bounds.iter().zip(own);
            let holds = both.all(|(known, own)| {
                known.as_ref().is_none_or(|known| {
                    near(known.first(), own, SAME_WARMTH + known.step.max(row.step))
                })
            });
            let is_held = bounds.iter().any(Option::is_some);
            holds && row.spread() < 15.0 && (is_held || !is_several)
        });
        self.give(Role::CellTemperature, &rows);
        self.bounds_of(Role::CellTemperature, (high, low), SAME_WARMTH);
        if self.is_missing(Role::CellTemperature) {
            self.other_side((high, low), 0.0, 8.0);
        }
    }

    /// Charge and health.
    fn charge(&mut self) {
        let health = self.known(Role::Soh).map(|fit| fit.first());
        let rows = self.rows(Role::Soc, false);
        if health.is_some() || !self.is_missing(Role::Soh) {
            self.give(Role::Soc, &rows);
        }
        let charge = self.known(Role::Soc).map(|fit| fit.first());
        if charge.is_some() {
            let mut rows = self.rows(Role::Soh, false);
            // Kind: common practice (a battery in use has most of its health)
            if rows.iter().all(|row| row.first() >= 70.0) {
                rows.truncate(2);
                self.give(Role::Soh, &rows);
            }
        }
        let mut rows = self.rows(Role::ModuleSoc, true);
        rows.retain(|row| {
            let mean = row.sum() / row.numbers.len() as f64;
            let is_charge = charge.is_some_and(|charge| near(charge, mean, 4.0 + row.step));
            let is_health = health.is_some_and(|health| near(health, mean, 6.0));
            is_charge && !is_health && row.spread() < 15.0
        });
        self.give(Role::ModuleSoc, &rows);
    }

    /// Current and power, by their product with the voltage; a current also by its sign, where it is the only one.
    fn flow(&mut self) {
        let volts = self.stack_voltage();
        let is_product = |current: &Fit, power: &Fit| {
            let made = volts.unwrap_or_default() * current.first();
            let bears = 0.05 * made.abs() + power.step + volts.unwrap_or_default() * current.step;
            near(made.abs(), power.first().abs(), bears) && made.abs() > 3.0 * bears
        };
        if let Some(power) = self.known(Role::PackPower) {
            let mut rows = self.rows(Role::PackCurrent, false);
            rows.retain(|row| is_product(row, &power));
            self.give(Role::PackCurrent, &rows);
        }
        let mut rows = self.rows(Role::PackCurrent, false);
        rows.retain(|row| row.is_signed);
        self.give(Role::PackCurrent, &rows);
        if let Some(current) = self.known(Role::PackCurrent) {
            let mut rows = self.rows(Role::PackPower, false);
            rows.retain(|row| is_product(&current, row));
            self.give(Role::PackPower, &rows);
        }
    }

    /// What its unit alone tells, or how it counts.
    fn alone(&mut self) {
        let rows = self.rows(Role::Insulation, false);
        self.give(Role::Insulation, &rows);
        let mut rows = self.rows(Role::UnitClock, false);
        // With its words the other way round it may be a time as well.
        rows.retain(|row| self.read(row.index, Role::Uptime).is_none());
        self.give(Role::UnitClock, &rows);
        let mut rows = self.rows(Role::Uptime, false);
        rows.retain(|row| self.counts(row.index));
        self.give(Role::Uptime, &rows);
    }

    /// Who it is, by how such texts are built.
    fn texts(&mut self) {
        for (role, several, is) in [
            (Role::Firmware, false, is_version as fn(&str) -> bool),
            (Role::Serial, false, is_serial),
            (Role::ModuleSerial, true, is_serial),
            (Role::Model, false, is_model),
        ] {
            let open = self.claims.iter().enumerate().filter(|(_, claim)| {
                let is_several = claim.instances.len() > 1;
                is_open(claim) && claim.may_be.contains(&role) && is_several == several
            });
            let alike = open.filter(|(_, claim)| {
                let all = claim.instances.iter().map(|at| self.text(claim, *at));
                let mut read = all.flatten();
                read.next().is_some_and(|first| is(&first)) && read.all(|text| is(&text))
            });
            let alike: Vec<Fit> = alike.map(|(index, _)| Fit::of_text(index)).collect();
            self.give(role, &alike);
        }
    }

    fn text(&self, claim: &Claim, at: u16) -> Option<String> {
        let at = self.shift.of(claim.table, at)?;
        let words = (0..claim.registers).map(|further| {
            let row = self.images.row(at.plus(further)?)?;
            row.iter().rev().flatten().next().copied()
        });
        text_of(&words.collect::<Option<Vec<u16>>>()?)
    }

    /// Whether a row counts the seconds, in more than one register.
    fn counts(&self, index: usize) -> bool {
        let times: Vec<Option<f64>> = self.images.times().iter().copied().map(Some).collect();
        let read = self.read(index, Role::Uptime);
        read.is_some_and(|(_, best)| {
            let pairs = pairs(&times, best.first());
            wide(best.reading.kind)
                && pairs.len() > 2
                && slope(&pairs).is_some_and(|rate| (0.9..1.1).contains(&rate))
        })
    }
}

/// Whether a voltage is that by which makers rate a whole number of cells.
fn is_rated(row: &Fit) -> bool {
    RATED_CELL.iter().any(|cell| {
        let cells = (row.first() / cell).round();
        cells >= 4.0 && near(row.first(), cells * cell, 0.1 * row.step + 1e-6)
    })
}

/// Numbers with points between, a letter in front at most: `V1.20`.
// Kind: common practice
fn is_version(text: &str) -> bool {
    let bare = text.trim_start_matches(|c: char| c.is_ascii_alphabetic() || c == ' ');
    let parts: Vec<&str> = bare.split('.').collect();
    let is_number = |part: &&str| !part.is_empty() && part.chars().all(|c| c.is_ascii_digit());
    text.len() - bare.len() <= 3 && parts.len() > 1 && parts.iter().all(is_number)
}

/// Many digits that stand together.
// Kind: common practice
fn is_serial(text: &str) -> bool {
    let runs = text.split(|c: char| !c.is_ascii_digit()).map(str::len);
    runs.max() >= Some(5) && !text.contains(' ')
}

/// Letters and a few digits.
// Kind: common practice
fn is_model(text: &str) -> bool {
    let letters = text.chars().filter(char::is_ascii_alphabetic).count();
    let digits = text.chars().filter(char::is_ascii_digit).count();
    letters > 1 && digits > 0 && !is_serial(text) && !is_version(text)
}

fn near(a: f64, b: f64, bears: f64) -> bool {
    (a - b).abs() <= bears
}

/// Into how many strings side by side so many cells may be split.
fn strings(cells: usize) -> impl Iterator<Item = usize> {
    let most = if cells >= 20 { 32 } else { 1 };
    (1..=most).filter(move |strings| cells.is_multiple_of(*strings) && cells / strings >= 4)
}

#[cfg(test)]
mod tests {
    use packside_profiles::model::Table;

    use super::super::claim::Named;
    use super::super::images::Register;
    use super::super::reading::Reading;
    use super::*;

    fn row(instances: &[u16], scale: f64, may_be: &[Role]) -> Claim {
        Claim {
            role: Role::Other,
            table: Table::Input,
            instances: instances.to_vec(),
            registers: 1,
            reading: Reading::plain(scale),
            absent: Vec::new(),
            open: vec![Key::Role],
            is_part: false,
            is_ampere_hours: false,
            named: Named::Nothing,
            may_be: may_be.to_vec(),
            is_supposed: false,
        }
    }

    /// Sixteen cells from 20, 52.8 V together, and single registers.
    fn images(single: &[(u16, u16)]) -> Images {
        let cells = (0..16_u16).map(|nth| (20 + nth, 3_292 + nth));
        let mut images = Images::default();
        let words = cells.chain(single.iter().copied());
        images.push(
            0.0,
            words.map(|(at, word)| (Register::new(Table::Input, at), word)),
        );
        images
    }

    fn roles(images: &Images, claims: &[Claim]) -> Vec<Role> {
        let found = suppose(images, claims, Shift::NONE);
        found.iter().map(|claim| claim.role).collect()
    }

    const VOLTS: [Role; 4] = [
        Role::PackVoltage,
        Role::TerminalVoltage,
        Role::CellVoltageMax,
        Role::CellVoltageMin,
    ];

    // Kind: invented (a pack of sixteen cells, names nobody knows)
    #[test]
    fn rows_that_fit_alone_get_their_role() {
        let cells: Vec<u16> = (20..36).collect();
        let claims = [
            row(&cells, 0.001, &[Role::CellVoltage, Role::ModuleVoltage]),
            row(&[1], 0.1, &VOLTS),
            row(&[2], 0.001, &VOLTS),
            row(&[3], 0.001, &VOLTS),
            row(&[4], 0.1, &VOLTS),
        ];
        let images = images(&[(1, 528), (2, 3_307), (3, 3_292), (4, 576)]);
        assert_eq!(
            roles(&images, &claims),
            [
                Role::CellVoltage,
                Role::PackVoltage,
                Role::CellVoltageMax,
                Role::CellVoltageMin,
                Role::Other,
            ]
        );
    }

    // Kind: invented
    #[test]
    fn two_rows_that_fit_alike_get_none() {
        let cells: Vec<u16> = (20..36).collect();
        let claims = [
            row(&cells, 0.001, &[Role::CellVoltage]),
            row(&[1], 0.1, &VOLTS),
            row(&[2], 0.1, &VOLTS),
        ];
        let images = images(&[(1, 528), (2, 527)]);
        assert_eq!(
            roles(&images, &claims),
            [Role::CellVoltage, Role::Other, Role::Other]
        );
    }

    // Kind: invented
    #[test]
    fn texts_are_told_by_how_they_are_built() {
        assert!(is_version("V1.20") && is_version("3.0.12") && !is_version("2024-05"));
        assert!(is_serial("ZQ12A0034567") && !is_serial("QX 4810") && !is_serial("V1.20"));
        assert!(is_model("QX-4810") && !is_model("acme") && !is_model("ZQ12A0034567"));
    }
}
