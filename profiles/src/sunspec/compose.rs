//! From the chain of a unit to the text of a map for it.
//!
//! Points of a bank and of each string stand alone, named after it, so that whatever is told of them
//! names the right string; modules of their own models make one group. A role is given only to what
//! the unit implements: what it does not have is not missing, but also judges nothing.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::data::{BANK, COMMON, MODULE, ModelFlag, ModelPoint, Models, STRING, STRINGS, models};
use super::numbers::{module_numbers, numbers};
use super::spelling::{sentinel, snake, values};
use super::spot::{Spot, repeats};
use super::told::Told;
use super::walk::{Chain, ChainEnd, FoundModel};
use super::{NAME, words};
use crate::line::LineSettings;
use crate::meaning::{Class, Role};
use crate::words::{kind_name, lies_in_name, severity};

/// Where a unit answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UnitAt {
    /// Unit address.
    pub unit: u8,
    /// Settings of the line; on a network nobody needs them.
    pub line: LineSettings,
}

/// Why there is no map.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoMap {
    /// The chain has no model of a battery bank.
    #[error("this is no battery: its SunSpec models are {}", listed(.models))]
    NoBattery {
        /// The models that it has.
        models: Vec<u16>,
    },
    /// It has more of something than any unit.
    #[error("this chain has {count} {what}, more than any battery has")]
    TooMany {
        /// Of what.
        what: String,
        /// How many.
        count: usize,
    },
    /// The data of the models, which come with this package, cannot be read.
    #[error("the models of this package cannot be read: {0}")]
    Data(String),
}

fn listed(models: &[u16]) -> String {
    if models.is_empty() {
        return "none".to_owned();
    }
    let ids: Vec<String> = models.iter().map(u16::to_string).collect();
    ids.join(", ")
}

/// Most models of one id: bank by bank, string by string, module by module.
const MOST: &[(u16, usize)] = &[(BANK, 4), (STRINGS, 4), (STRING, 64), (MODULE, 256)];
/// Most blocks of one model: strings of a bank, modules of a string, cells of a module.
const MOST_BLOCKS: &[(u16, u16)] = &[(STRINGS, 64), (STRING, 256), (MODULE, 512)];

/// The text of a register map for the unit with this chain.
///
/// # Errors
/// Where it is no battery, or more than one can be.
pub fn map_of(chain: &Chain, at: UnitAt) -> Result<String, NoMap> {
    let models = models().map_err(|error| NoMap::Data(error.to_string()))?;
    if chain.with_id(BANK).next().is_none() {
        return Err(NoMap::NoBattery {
            models: chain.models.iter().map(|model| model.id).collect(),
        });
    }
    for (id, most) in MOST {
        let count = chain.with_id(*id).count();
        if count > *most {
            let what = format!("models {id}");
            return Err(NoMap::TooMany { what, count });
        }
    }
    for (id, most) in MOST_BLOCKS {
        let block = models.get(*id).and_then(|model| model.block.as_ref());
        let counts = block.into_iter().flat_map(|block| {
            let found = chain.with_id(*id);
            found.map(|found| (repeats(found, block.at, block.stride), &block.name))
        });
        if let Some((count, name)) = counts.into_iter().find(|(count, _)| count > most) {
            let what = format!("{name}s in one model {id}");
            return Err(NoMap::TooMany {
                what,
                count: count.into(),
            });
        }
    }
    Ok(Composer::new(chain, &models).text(at))
}

/// The text of somebody's own map with the models of a unit's chain, in which its points stand.
pub fn with_models(text: &str, chain: &Chain) -> String {
    let mut text = format!("{}\n\n# found on the unit\n", text.trim_end());
    for FoundModel { id, at, length } in &chain.models {
        let _ = write!(
            text,
            "\n[[model]]\nid = {id}\naddress = {at}\nlength = {length}\n"
        );
    }
    text
}

struct Composer<'a> {
    chain: &'a Chain,
    models: &'a Models,
    told: Told<'a>,
    roles: BTreeSet<Role>,
    /// Ids of flags, to which others may refer.
    flags: BTreeSet<String>,
    spans: String,
    body: String,
    remarks: Vec<String>,
    cells_per_module: u16,
}

impl<'a> Composer<'a> {
    fn new(chain: &'a Chain, models: &'a Models) -> Self {
        Self {
            chain,
            models,
            told: Told { chain, models },
            roles: BTreeSet::new(),
            flags: BTreeSet::new(),
            spans: String::new(),
            body: String::new(),
            remarks: Vec::new(),
            cells_per_module: 1,
        }
    }

    fn text(mut self, at: UnitAt) -> String {
        self.marks();
        for id in [COMMON, 713, BANK, STRINGS] {
            for (nth, found) in self.chain.with_id(id).enumerate() {
                self.single(id, nth, found);
            }
        }
        self.strings();
        self.modules();
        self.head(at)
    }

    /// What proves that the unit is still the one for which this was made: the mark, the id of the bank
    /// and the end of the chain.
    fn marks(&mut self) {
        let mark = self.chain.mark;
        self.proof("chain_mark", mark, "u32", 0x5375_6e53);
        self.span(mark, mark.saturating_add(1));
        if let Some(bank) = self.chain.with_id(BANK).next() {
            self.proof("bank_model", bank.at, "u16", BANK.into());
        }
        let end = match self.chain.end {
            ChainEnd::Whole(at) => at,
            // Nothing clean can be said of a unit of which a part was not found: this cannot hold.
            ChainEnd::Unreadable(at)
            | ChainEnd::NoModel(at)
            | ChainEnd::BeyondLast(at)
            | ChainEnd::Endless(at) => {
                self.remarks.push(
                    "the chain of models is broken, so that a part of the unit may not be seen"
                        .to_owned(),
                );
                at
            }
        };
        self.proof("chain_end", end, "u16", 0xffff);
        let is_inside = self
            .chain
            .models
            .iter()
            .any(|one| one.at <= end && end <= one.last());
        if !is_inside {
            self.span(end, end);
        }
    }

    fn proof(&mut self, id: &str, address: u16, kind: &str, equals: u32) {
        let _ = write!(
            self.body,
            "\n[[recognise]]\npoint = \"{id}\"\nequals = {equals}\n\n[[point]]\nid = \"{id}\"\nrole = \"map_mark\"\n\
             table = \"holding\"\naddress = {address}\ntype = \"{kind}\"\n"
        );
    }

    fn span(&mut self, from: u16, to: u16) {
        let _ = write!(
            self.spans,
            "\n[[span]]\ntable = \"holding\"\nfrom = {from}\nto = {to}\n"
        );
    }

    /// A model that stands once, or bank by bank, with the strings that stand in it.
    fn single(&mut self, id: u16, nth: usize, found: &FoundModel) {
        let Some(model) = self.models.get(id) else {
            return;
        };
        self.span(found.at, found.last());
        let (prefix, label) = match nth {
            0 => (format!("{}_", model.name), String::new()),
            n => (
                format!("{}_{}_", model.name, n + 1),
                format!("bank {}: ", n + 1),
            ),
        };
        self.points(
            &Spot::alone(model, *found, &prefix, &label, nth == 0),
            found.at,
        );
        let Some(block) = &model.block else { return };
        let count = repeats(found, block.at, block.stride);
        self.told_count(found, count);
        for string in 1..=count {
            let start = found
                .at
                .saturating_add(block.at)
                .saturating_add((string - 1) * block.stride);
            let spot = Spot {
                prefix: format!("{prefix}{string}_"),
                scales: prefix.clone(),
                label: format!("{label}string {string}: "),
                alone: nth == 0 && count == 1,
                ..Spot::alone(model, *found, &prefix, &label, false)
            };
            self.block_points(&spot, &block.points, start);
        }
    }

    /// A remark where a bank says another number of strings than its model has room for.
    fn told_count(&mut self, found: &FoundModel, count: u16) {
        let told = self.told.number(STRINGS, "NStr");
        let first = self.chain.with_id(STRINGS).next();
        if first == Some(found) && told.is_some_and(|told| (told - f64::from(count)).abs() > 0.5) {
            let told = told.unwrap_or_default();
            self.remarks.push(format!(
                "the bank says that it has {told} strings, and its model holds {count}"
            ));
        }
    }

    /// Strings with a model of their own, each with what it says of its modules.
    fn strings(&mut self) {
        let found: Vec<FoundModel> = self.chain.with_id(STRING).copied().collect();
        let Some(model) = self.models.get(STRING) else {
            return;
        };
        let told: Vec<Option<u16>> = found
            .iter()
            .map(|one| self.told.value(one.at.checked_add(2)))
            .collect();
        let numbers = numbers(&told);
        for (one, number) in found.iter().zip(numbers) {
            self.span(one.at, one.last());
            let prefix = format!("string_{number}_");
            let label = format!("string {number}: ");
            let alone = found.len() == 1;
            self.points(&Spot::alone(model, *one, &prefix, &label, alone), one.at);
            let Some(block) = &model.block else { continue };
            let count = repeats(one, block.at, block.stride);
            if count == 0 {
                continue;
            }
            let group = format!("{prefix}module");
            let start = one.at.saturating_add(block.at);
            let _ = write!(
                self.body,
                "\n[[group]]\nid = \"{group}\"\ntable = \"holding\"\naddress = {start}\ncount = {count}\nat_most = {count}\n\
                 stride = {}\n",
                block.stride
            );
            let spot = Spot {
                prefix: format!("{group}_"),
                scales: prefix.clone(),
                starts: (0..count)
                    .map(|n| start.saturating_add(n * block.stride))
                    .collect(),
                group: Some(group),
                alone: false,
                ..Spot::alone(model, *one, &prefix, &label, false)
            };
            for point in &block.points {
                self.point(&spot, point, 0);
            }
        }
    }

    /// Modules with a model of their own: one group, with the cells of each.
    fn modules(&mut self) {
        let mut found: Vec<FoundModel> = self.chain.with_id(MODULE).copied().collect();
        let Some(model) = self.models.get(MODULE).filter(|_| !found.is_empty()) else {
            return;
        };
        let string_of = |one: &FoundModel| self.told.value(one.at.checked_add(2));
        let module_of = |one: &FoundModel| self.told.value(one.at.checked_add(3));
        found.sort_by_key(|one| (string_of(one), module_of(one), one.at));
        let numbers = module_numbers(
            &found
                .iter()
                .map(|one| (string_of(one), module_of(one)))
                .collect::<Vec<_>>(),
        );
        if numbers.iter().any(|number| *number >= 100) {
            let remark = "modules are numbered string x 100 + module: 203 is module 3 of string 2";
            self.remarks.push(remark.to_owned());
        }
        for one in &found {
            self.span(one.at, one.last());
        }
        let count = found.len();
        let _ = write!(
            self.body,
            "\n[[group]]\nid = \"module\"\ntable = \"holding\"\nstarts = {:?}\nnumbers = {numbers:?}\ncount = {count}\n\
             at_most = {count}\n",
            found.iter().map(|one| one.at).collect::<Vec<_>>()
        );
        let spot = Spot {
            models: found.clone(),
            starts: found.iter().map(|one| one.at).collect(),
            group: Some("module".to_owned()),
            ..Spot::alone(
                model,
                *found.first().unwrap_or(&FoundModel::NONE),
                "module_",
                "",
                true,
            )
        };
        for point in &model.points {
            self.point(&spot, point, point.at);
        }
        let Some(block) = &model.block else { return };
        let cells: Vec<u16> = found
            .iter()
            .map(|one| repeats(one, block.at, block.stride))
            .collect();
        if let Some(most) = cells.iter().max().filter(|most| **most > 0) {
            self.cells_per_module = *most;
            let spot = Spot {
                prefix: "cell_".to_owned(),
                repeat: Some((cells, block.stride)),
                ..spot
            };
            for point in &block.points {
                self.point(&spot, point, block.at + point.at);
            }
        }
    }

    fn points(&mut self, spot: &Spot<'_>, at: u16) {
        for point in &spot.model.points {
            self.point(spot, point, at.saturating_add(point.at));
        }
    }

    fn block_points(&mut self, spot: &Spot<'_>, points: &[ModelPoint], start: u16) {
        for point in points {
            self.point(spot, point, start.saturating_add(point.at));
        }
    }

    /// One point, with its flags. `address` is that of the register, in a group from its instance on.
    fn point(&mut self, spot: &Spot<'_>, point: &ModelPoint, address: u16) {
        let address = match (&spot.group, &spot.repeat) {
            // Blocks of a string stand in a group whose instances are the blocks themselves.
            (Some(_), None) if spot.model.id == STRING => point.at,
            _ => address,
        };
        if !spot.has_room(point, address) {
            return;
        }
        let scale = match &point.scale {
            None => None,
            Some(scale) => {
                let mut models = spot.models.iter();
                if !models.any(|found| self.told.power(spot.model, scale, found).is_some()) {
                    return;
                }
                Some(format!("{}{}", spot.scales, snake(scale)))
            }
        };
        let role = self.role(spot, point, address);
        let id = format!("{}{}", spot.prefix, snake(&point.name));
        let mut text = format!(
            "\n[[point]]\nid = \"{id}\"\nname = \"{}{}\"\nrole = \"{role}\"\n",
            spot.label, point.words
        );
        match &spot.group {
            Some(group) => {
                let _ = writeln!(text, "group = \"{group}\"");
            }
            None => text.push_str("table = \"holding\"\n"),
        }
        let _ = writeln!(
            text,
            "address = {address}\ntype = \"{}\"",
            kind_name(point.kind)
        );
        if let Some(registers) = point.registers {
            let _ = writeln!(text, "registers = {registers}");
        }
        text.push_str(sentinel(point.kind));
        if !point.unit.is_empty() {
            let _ = writeln!(text, "unit = \"{}\"", point.unit);
        }
        if let Some(scale) = scale {
            let _ = writeln!(text, "scale_point = \"{scale}\"");
        }
        if let Some((counts, stride)) = &spot.repeat {
            let _ = writeln!(
                text,
                "repeat = {{ count = {counts:?}, stride = {stride}, name = \"cell\" }}"
            );
        }
        text.push_str(&self.told.judged(role));
        text.push_str(&values(&point.values));
        self.body.push_str(&text);
        self.flags_of(spot, point, &id);
    }

    /// The role that a point has in this unit.
    fn role(&mut self, spot: &Spot<'_>, point: &ModelPoint, address: u16) -> Role {
        let Some(role) = point.role else {
            return Role::Other;
        };
        let implemented = self.told.implements(spot, point, address);
        match role {
            Role::ScaleFactor => role,
            // The first event word must be there; without a value it keeps every clean verdict away.
            Role::AlarmWord if point.mandatory && point.name.ends_with("Evt1") => role,
            Role::AlarmWord | Role::FaultCode if implemented => role,
            Role::AlarmWord | Role::FaultCode => Role::Other,
            // The bank's lowest cell does not excuse that of a string.
            _ if role.is_extreme() && implemented => {
                self.roles.insert(role);
                role
            }
            Role::State | Role::Serial if spot.alone && self.roles.insert(role) => role,
            _ if spot.alone && implemented && self.roles.insert(role) => role,
            _ => Role::Other,
        }
    }

    fn flags_of(&mut self, spot: &Spot<'_>, point: &ModelPoint, id: &str) {
        let models = self.models;
        let stands = |flag: &&ModelFlag| {
            let mut places = flag.places.iter();
            places.any(|(model, name)| *model == spot.model.id && *name == point.name)
        };
        let prefix = spot.prefix.replace('_', "-");
        for flag in models.flags.iter().filter(stands) {
            let name = format!("{prefix}{}", flag.id);
            let mut text = format!("\n[[flag]]\nid = \"{name}\"\npoint = \"{id}\"\n");
            if let Some(bit) = flag.bit {
                let _ = writeln!(text, "bit = {bit}");
            }
            if !flag.values.is_empty() {
                let _ = writeln!(text, "values = {:?}", flag.values);
            }
            if let Some(active) = flag.active {
                let _ = writeln!(text, "active = {active}");
            }
            let _ = writeln!(
                text,
                "class = \"{}\"\nseverity = \"{}\"\nlies_in = \"{}\"\nclears = \"self\"\nmeaning = \"{}{}\"",
                flag.class,
                severity(flag.severity),
                lies_in_name(flag.lies_in),
                spot.label,
                flag.meaning
            );
            if !flag.to_do.is_empty() {
                let _ = writeln!(text, "do = \"{}\"", flag.to_do);
            }
            // Statuses stand before what brings them along, or are not there at all.
            let brings: Vec<String> = flag
                .brings
                .iter()
                .map(|other| format!("{prefix}{other}"))
                .filter(|other| flag.class != Class::SwitchesOpen && self.has_status(spot, other))
                .collect();
            if !brings.is_empty() {
                let _ = writeln!(text, "brings = {brings:?}");
            }
            self.flags.insert(name);
            self.body.push_str(&text);
        }
    }

    /// Whether a status flag stands in this part of the unit, or will.
    fn has_status(&self, spot: &Spot<'_>, id: &str) -> bool {
        let prefix = spot.prefix.replace('_', "-");
        let Some(status) = self
            .models
            .flags
            .iter()
            .find(|flag| format!("{prefix}{}", flag.id) == id)
        else {
            return false;
        };
        let of_model = |(model, name): &&(u16, String)| {
            let block = spot.model.block.iter().flat_map(|block| &block.points);
            let mut points = spot.model.points.iter().chain(block);
            *model == spot.model.id && points.any(|point| point.name == *name)
        };
        status.places.iter().any(|place| of_model(&place)) && spot.model.id != BANK
    }

    fn head(self, at: UnitAt) -> String {
        let floor = &self.models.floor;
        let text = |name: &str| self.told.text_of(name);
        let (maker, model) = (text("Mn"), text("Md"));
        let title = format!("Battery that describes itself (SunSpec): {maker} {model}");
        let has_counter = self.roles.contains(&Role::InverterHeartbeat);
        let mut remarks = self.remarks.clone();
        remarks.push(words::chain(self.chain));
        let limits = match self.told.chemistry_is_known() {
            true => {
                "cells and temperatures are judged by what every lithium-ion cell bears: the maker's own limits are not known"
            }
            false => "the chemistry is not known: no limit judges its cells",
        };
        remarks.push(limits.to_owned());
        let quoted = |text: &str| {
            format!(
                "\"{}\"",
                text.trim().replace('\\', "\\\\").replace('"', "\\\"")
            )
        };
        let cell = match self.told.chemistry_is_known() {
            true => format!(
                "\n[cell]\nnever_charge_below = {:?}\ncharge_from_c = {:?}\ncharge_to_c = {:?}\n",
                floor.cell_v[0], floor.charge_c[0], floor.charge_c[1]
            ),
            false => String::new(),
        };
        format!(
            "# Made by packside from what this unit says of itself; no maker's document was used.\nformat = 1\n\n\
             [profile]\nid = \"{NAME}\"\ntitle = {}\ndocument = \"SunSpec information models, as this unit has them\"\n\
             revision = \"models of PyPI pysunspec2 1.3.7\"\nauthor = \"packside\"\ndate = \"2026-11-30\"\n\
             verified_on_hardware = false\nnotes = {}\n\n\
             [answering]\nline = \"{}\"\nunit = {}\nanswer_time_ms = 100\ntime_out_ms = 2000\nfunctions = [3]\n\
             {}{}\n[inverter]\nport = \"unknown\"\nfed_by = \"{}\"\nsilence_s = {}\n\n\
             [unit]\nswitch = \"contactor\"\nterminals_without_inverter = \"live\"\nself_test_s = 60\n\
             cells_per_module = {}\nchemistry = \"{}\"\nrest_current = {:?}\n{cell}",
            quoted(&title),
            quoted(&remarks.join("; ")),
            at.line,
            at.unit,
            self.spans,
            self.body,
            if has_counter { "writes" } else { "unknown" },
            floor.silence_s,
            self.cells_per_module.max(1),
            if self.told.chemistry_is_known() {
                "lithium-ion"
            } else {
                "unknown"
            },
            floor.rest_current_a,
        )
    }
}
