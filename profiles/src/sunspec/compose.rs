//! From the chain of a unit to the text of a map for it.
//!
//! Points of a bank and of each string stand alone, named after it, so that whatever is told of them
//! names the right string; modules of their own models make one group. A role is given only to what
//! the unit implements: what it does not have is not missing, but also judges nothing.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::data::{Model, ModelFlag, ModelPoint, ModelValue, Models, models};
use super::walk::{Chain, ChainEnd, FoundModel};
use super::{NAME, words};
use crate::layout::words_at;
use crate::line::LineSettings;
use crate::meaning::{Class, Role};
use crate::model::{Kind, LiesIn, Severity};
use crate::words::kind_name;

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

const COMMON: u16 = 1;
const BANK: u16 = 802;
const STRINGS: u16 = 803;
const STRING: u16 = 804;
const MODULE: u16 = 805;
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

/// Where the instances of a point stand, and what they are called.
struct Spot<'a> {
    model: &'a Model,
    /// Before ids: `string_2_`.
    prefix: String,
    /// The same of the part that carries the scale points.
    scales: String,
    /// Before words: `string 2: `.
    label: String,
    /// Registers of the ids of the models in which the instances stand, with their lengths.
    models: Vec<FoundModel>,
    /// First register of each instance.
    starts: Vec<u16>,
    group: Option<String>,
    /// Repetitions in each instance, and the registers from one to the next.
    repeat: Option<(Vec<u16>, u16)>,
    /// Whether its points may have the roles that only one can have.
    alone: bool,
}

struct Composer<'a> {
    chain: &'a Chain,
    models: &'a Models,
    roles: BTreeSet<Role>,
    /// Ids of flags, to which others may refer.
    flags: BTreeSet<String>,
    spans: String,
    body: String,
    remarks: Vec<String>,
    /// Average or other voltage of the cells now, V.
    cell_v: Option<f64>,
    cells_per_module: u16,
}

impl<'a> Composer<'a> {
    fn new(chain: &'a Chain, models: &'a Models) -> Self {
        Self {
            chain,
            models,
            roles: BTreeSet::new(),
            flags: BTreeSet::new(),
            spans: String::new(),
            body: String::new(),
            remarks: Vec::new(),
            cell_v: None,
            cells_per_module: 1,
        }
    }

    fn text(mut self, at: UnitAt) -> String {
        self.cell_v = self.average_cell();
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

    // ---- what a unit says

    fn value(&self, address: Option<u16>) -> Option<u16> {
        self.chain.words.get(&address?).copied()
    }

    /// A number of a point of the first such model, scaled; nothing where it is not implemented.
    fn number(&self, id: u16, name: &str) -> Option<f64> {
        let found = self.chain.with_id(id).next()?;
        let model = self.models.get(id)?;
        let point = model.points.iter().find(|point| point.name == name)?;
        let start = found.at.checked_add(point.at)?;
        let words = words_at(&self.chain.words, start, point.width())?;
        if !is_implemented(point.kind, &words) {
            return None;
        }
        let raw = match (point.kind, words.as_slice()) {
            (Kind::I16, [word]) => f64::from(word.cast_signed()),
            (_, [word]) => f64::from(*word),
            (_, [high, low]) => f64::from(u32::from(*high) << 16 | u32::from(*low)),
            _ => return None,
        };
        let power = match &point.scale {
            None => 0,
            Some(scale) => self.power(model, scale, found)?,
        };
        Some(raw * 10f64.powi(power.into()))
    }

    /// The power of ten that a scale point of a model gives.
    fn power(&self, model: &Model, scale: &str, found: &FoundModel) -> Option<i16> {
        let point = model.points.iter().find(|point| point.name == scale)?;
        let raw = self.value(found.at.checked_add(point.at))?.cast_signed();
        (point.at + 1 < found.length + 2 + 1 && (-10..=10).contains(&raw)).then_some(raw)
    }

    /// The average of all cells, or something between the lowest and the highest.
    fn average_cell(&self) -> Option<f64> {
        let average = self.number(BANK, "CellVAvg");
        let extreme = || {
            self.number(BANK, "CellVMin")
                .or_else(|| self.number(BANK, "CellVMax"))
        };
        let of_string = || self.number(STRING, "CellVAvg");
        let of_module = || self.number(MODULE, "CellVAvg");
        let found = average
            .or_else(extreme)
            .or_else(of_string)
            .or_else(of_module);
        found.or_else(|| self.first_string_average())
    }

    fn first_string_average(&self) -> Option<f64> {
        let found = self.chain.with_id(STRINGS).next()?;
        let model = self.models.get(STRINGS)?;
        let block = model.block.as_ref()?;
        let point = block
            .points
            .iter()
            .find(|point| point.name == "StrCellVAvg")?;
        let start = found.at.checked_add(block.at)?.checked_add(point.at);
        let raw = self.value(start).filter(|raw| *raw != 0xffff)?;
        let power = self.power(model, point.scale.as_ref()?, found)?;
        Some(f64::from(raw) * 10f64.powi(power.into()))
    }

    fn is_lithium(&self) -> bool {
        const LITHIUM_ION: f64 = 4.0;
        self.number(BANK, "Typ") == Some(LITHIUM_ION)
    }

    fn chemistry_is_known(&self) -> bool {
        let from = self.models.floor.cell_average_from_v;
        self.is_lithium() && self.cell_v.is_some_and(|volts| volts >= from)
    }

    // ---- what stands where

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
        let told = self.number(STRINGS, "NStr");
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
            .map(|one| self.value(one.at.checked_add(2)))
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
        let string_of = |one: &FoundModel| self.value(one.at.checked_add(2));
        let module_of = |one: &FoundModel| self.value(one.at.checked_add(3));
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
                if !models.any(|found| self.power(spot.model, scale, found).is_some()) {
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
        text.push_str(&self.judged(role));
        text.push_str(&values(&point.values));
        self.body.push_str(&text);
        self.flags_of(spot, point, &id);
    }

    /// What a role besides needs: limits, a direction, that it must be there.
    fn judged(&self, role: Role) -> String {
        let floor = &self.models.floor;
        let limits = |below: Option<f64>, above: Option<f64>, possible: Option<[f64; 2]>| {
            let parts = [
                below.map(|n| format!("alarm_below = {n:?}")),
                above.map(|n| format!("alarm_above = {n:?}")),
                possible.map(|p| format!("possible = {p:?}")),
            ];
            let parts: Vec<String> = parts.into_iter().flatten().collect();
            format!("limits = {{ {} }}\n", parts.join(", "))
        };
        let [low, high] = floor.cell_v;
        let [cold, hot] = floor.temperature_c;
        let cells = |below, above| match self.chemistry_is_known() {
            true => limits(below, above, Some(floor.cell_possible_v)),
            false => limits(None, None, Some(floor.cell_possible_v)),
        };
        let heat = Some(floor.temperature_possible_c);
        match role {
            Role::CellVoltage => cells(Some(low), Some(high)),
            Role::CellVoltageMax => cells(None, Some(high)),
            Role::CellVoltageMin => cells(Some(low), None),
            Role::CellTemperature => limits(Some(cold), Some(hot), heat),
            Role::CellTemperatureMax => limits(None, Some(hot), heat),
            Role::CellTemperatureMin => limits(Some(cold), None, heat),
            Role::PackCurrent => format!("{}{}", self.direction(), self.current_limits()),
            Role::PackPower => self.direction().to_owned(),
            Role::State => "required = true\n".to_owned(),
            _ => String::new(),
        }
    }

    /// Which direction of the current is positive: as the unit says while current flows, else as usual.
    // Kind: derived (charge status against the sign), from memory (discharge is positive)
    fn direction(&self) -> &'static str {
        const DISCHARGING: f64 = 3.0;
        const CHARGING: f64 = 4.0;
        let amps = self
            .number(BANK, "A")
            .filter(|amps| amps.abs() > self.models.floor.rest_current_a);
        let status = self.number(BANK, "ChaSt");
        let charges = amps.is_some_and(|amps| {
            (status == Some(CHARGING) && amps > 0.0) || (status == Some(DISCHARGING) && amps < 0.0)
        });
        match charges {
            true => "positive = \"charge\"\n",
            false => "positive = \"discharge\"\n",
        }
    }

    /// What the nameplate's power comes to at the present voltage, and so much more.
    fn current_limits(&self) -> String {
        let amps = |name| {
            let watts = self.number(BANK, name).filter(|watts| *watts > 0.0)?;
            let volts = self.number(BANK, "V").filter(|volts| *volts > 1.0)?;
            Some((self.models.floor.rate * watts / volts * 10.0).round() / 10.0)
        };
        let (charge, discharge) = (amps("WChaRteMax"), amps("WDisChaRteMax"));
        let (below, above) = match self.direction().contains("discharge") {
            true => (charge, discharge),
            false => (discharge, charge),
        };
        match (below, above) {
            (Some(below), Some(above)) => {
                format!("limits = {{ alarm_below = -{below:?}, alarm_above = {above:?} }}\n")
            }
            _ => String::new(),
        }
    }

    /// The role that a point has in this unit.
    fn role(&mut self, spot: &Spot<'_>, point: &ModelPoint, address: u16) -> Role {
        let Some(role) = point.role else {
            return Role::Other;
        };
        let implemented = self.implements(spot, point, address);
        match role {
            Role::ScaleFactor => role,
            // The first event word must be there; without a value it keeps every clean verdict away.
            Role::AlarmWord if point.mandatory && point.name.ends_with("Evt1") => role,
            Role::AlarmWord | Role::FaultCode if implemented => role,
            Role::AlarmWord | Role::FaultCode => Role::Other,
            Role::State | Role::Serial if spot.alone && self.roles.insert(role) => role,
            _ if spot.alone && implemented && self.roles.insert(role) => role,
            _ => Role::Other,
        }
    }

    /// Whether any instance of a point is implemented, or may be.
    fn implements(&self, spot: &Spot<'_>, point: &ModelPoint, address: u16) -> bool {
        let firsts = spot.firsts(address);
        firsts.iter().any(|first| {
            words_at(&self.chain.words, *first, point.width())
                .is_none_or(|words| is_implemented(point.kind, &words))
        })
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
                lies_in(flag.lies_in),
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
        let text = |name: &str| self.text_of(name);
        let (maker, model) = (text("Mn"), text("Md"));
        let title = format!("Battery that describes itself (SunSpec): {maker} {model}");
        let has_counter = self.roles.contains(&Role::InverterHeartbeat);
        let mut remarks = self.remarks.clone();
        remarks.push(words::chain(self.chain));
        let limits = match self.chemistry_is_known() {
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
        let cell = match self.chemistry_is_known() {
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
            if self.chemistry_is_known() {
                "lithium-ion"
            } else {
                "unknown"
            },
            floor.rest_current_a,
        )
    }

    /// A text of the common model, cleaned.
    fn text_of(&self, name: &str) -> String {
        let found = self.chain.with_id(COMMON).next();
        let point = self
            .models
            .get(COMMON)
            .and_then(|model| model.points.iter().find(|p| p.name == name));
        let words = found.zip(point).and_then(|(found, point)| {
            words_at(
                &self.chain.words,
                found.at.checked_add(point.at)?,
                point.width(),
            )
        });
        let bytes = words
            .unwrap_or_default()
            .into_iter()
            .flat_map(u16::to_be_bytes);
        let text: String = bytes
            .take_while(|byte| *byte != 0)
            .filter(|byte| (0x20..0x7f).contains(byte))
            .map(char::from)
            .collect();
        text.trim().to_owned()
    }
}

impl FoundModel {
    const NONE: Self = Self {
        id: 0,
        at: 0,
        length: 0,
    };
}

impl<'a> Spot<'a> {
    /// The part of one model that does not repeat.
    fn alone(model: &'a Model, found: FoundModel, prefix: &str, label: &str, alone: bool) -> Self {
        Self {
            model,
            prefix: prefix.to_owned(),
            scales: prefix.to_owned(),
            label: label.to_owned(),
            models: vec![found],
            starts: Vec::new(),
            group: None,
            repeat: None,
            alone,
        }
    }

    /// Whether the first such model is long enough for a point.
    fn has_room(&self, point: &ModelPoint, address: u16) -> bool {
        let last = |found: &FoundModel| u32::from(found.last());
        let end = |first: u16| u32::from(first) + u32::from(point.width()) - 1;
        match (&self.group, self.models.as_slice()) {
            (None, [found]) => end(address) <= last(found),
            (Some(_), models) if self.repeat.is_none() && self.model.id == MODULE => models
                .iter()
                .all(|found| end(found.at.saturating_add(address)) <= last(found)),
            _ => true,
        }
    }

    /// First registers of all instances of a point at this address.
    fn firsts(&self, address: u16) -> Vec<u16> {
        if self.group.is_none() {
            return vec![address];
        }
        let mut firsts = Vec::new();
        for (n, start) in self.starts.iter().enumerate() {
            let first = start.saturating_add(address);
            match &self.repeat {
                None => firsts.push(first),
                Some((counts, stride)) => {
                    let count = counts.get(n).copied().unwrap_or_default();
                    firsts.extend((0..count).map(|item| first.saturating_add(item * stride)));
                }
            }
        }
        firsts
    }
}

/// Blocks that fit between their first register and the end of the model.
fn repeats(found: &FoundModel, at: u16, stride: u16) -> u16 {
    let left = (found.length + 2).saturating_sub(at);
    left / stride.max(1)
}

/// Numbers as the unit tells them, where they tell one from the other; else in their order.
fn numbers(told: &[Option<u16>]) -> Vec<u16> {
    let mut own: Vec<u16> = told
        .iter()
        .flatten()
        .copied()
        .filter(|n| *n < 1000)
        .collect();
    let all = own.clone();
    own.sort_unstable();
    own.dedup();
    if own.len() == told.len() {
        return all;
    }
    (1..).take(told.len()).collect()
}

/// The same of modules, with their string in front where there are several.
fn module_numbers(told: &[(Option<u16>, Option<u16>)]) -> Vec<u16> {
    let mut strings: Vec<Option<u16>> = told.iter().map(|(string, _)| *string).collect();
    strings.dedup();
    if strings.len() < 2 {
        return numbers(&told.iter().map(|(_, module)| *module).collect::<Vec<_>>());
    }
    let number = |(string, module): &(Option<u16>, Option<u16>)| {
        let string = string.filter(|string| (1..=99).contains(string))?;
        let module = module.filter(|module| *module <= 99)?;
        Some(string * 100 + module)
    };
    let told: Vec<Option<u16>> = told.iter().map(number).collect();
    let mut own: Vec<u16> = told.iter().flatten().copied().collect();
    let all = own.clone();
    own.sort_unstable();
    own.dedup();
    if own.len() == told.len() {
        return all;
    }
    (1..).take(told.len()).collect()
}

/// Whether registers hold a value, by the sentinels of the models.
fn is_implemented(kind: Kind, words: &[u16]) -> bool {
    match (kind, words) {
        (Kind::I16, [word]) => *word != 0x8000,
        (Kind::Bits32, [high, _]) => high & 0x8000 == 0,
        (Kind::String, words) => words.iter().any(|word| *word != 0 && *word != 0xffff),
        (_, words) => words.iter().any(|word| *word != 0xffff),
    }
}

/// The key that tells the loader of the sentinel of a type.
fn sentinel(kind: Kind) -> &'static str {
    match kind {
        Kind::I16 => "not_available = [0x8000]\n",
        Kind::U16 | Kind::Enum16 => "not_available = [0xffff]\n",
        Kind::U32 => "not_available = [0xffffffff]\n",
        Kind::Bits32 => "absent_if_top_bit = true\n",
        _ => "",
    }
}

fn values(values: &[ModelValue]) -> String {
    if values.is_empty() {
        return String::new();
    }
    let named = values.iter().map(|value| match value {
        ModelValue::State(is, name, state) => {
            format!("{{ is = {is}, name = \"{name}\", state = \"{state}\" }}")
        }
        ModelValue::Named(is, name) => format!("{{ is = {is}, name = \"{name}\" }}"),
    });
    let named: Vec<String> = named.collect();
    format!("value = [{}]\n", named.join(", "))
}

fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Notice => "notice",
        Severity::Warning => "warning",
        Severity::Alarm => "alarm",
    }
}

fn lies_in(place: LiesIn) -> &'static str {
    match place {
        LiesIn::Module => "module",
        LiesIn::ControlUnit => "control-unit",
        LiesIn::Connection => "connection",
        LiesIn::InverterSide => "inverter-side",
        LiesIn::SiteCondition => "site-condition",
        LiesIn::Operator => "operator",
        LiesIn::Unknown => "unknown",
    }
}

/// The name of a point as an id: `CellVMax` is `cell_vmax`.
fn snake(name: &str) -> String {
    let name = name.replace("_SF", "Sf");
    let mut text = String::new();
    let mut before = ' ';
    for letter in name.chars() {
        if letter.is_ascii_uppercase() && (before.is_ascii_lowercase() || before.is_ascii_digit()) {
            text.push('_');
        }
        text.push(letter.to_ascii_lowercase());
        before = letter;
    }
    text
}
