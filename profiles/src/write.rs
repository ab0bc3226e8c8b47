//! Writes a draft as the text of a map.
//!
//! What a draft can hold is written: who made it, what is open, spans, groups, points, flags, and the picture of the
//! unit. Registers are numbered as the document numbers them. What it writes loads again as the same draft.
//!
//! Does not: write lamps, windows or steps of a visit, which no draft has.

use std::fmt::{Display, Write as _};

use crate::blank::{BLANK, Blank};
use crate::foreign::Foreign;
use crate::meaning::Role;
use crate::model::{
    Clears, Count, Decimal, Evidence, FedBy, Flag, Group, InverterPort, Numbering, Point, Positive,
    Profile, Recognise, Rival, Scalar, Span, Standing, SwitchKind, Table, Terminals, WordOrder,
};
use crate::numbering::in_document;
use crate::rules::limits_needed;
use crate::words;

/// The text of a draft.
pub fn draft_text(profile: &Profile) -> String {
    let mut out = Text {
        text: String::new(),
        numbering: profile.addresses,
    };
    out.head(profile);
    out.picture(profile);
    for span in &profile.spans {
        out.span("span", span);
    }
    for span in &profile.clears_when_read {
        out.span("clears_when_read", span);
    }
    for group in &profile.groups {
        out.group(profile, group);
    }
    for point in &profile.points {
        out.point(profile, point);
    }
    for flag in &profile.flags {
        out.flag(flag);
    }
    out.text
}

/// A map in the making.
struct Text {
    text: String,
    numbering: Numbering,
}

/// A text as TOML quotes it.
fn quoted(text: &str) -> String {
    let mut quoted = String::with_capacity(text.len() + 2);
    quoted.push('"');
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            '\n' => quoted.push_str("\\n"),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

fn text_of(text: &Foreign) -> String {
    quoted(text.as_given())
}

/// All of the digits, and no more.
fn decimal(number: Decimal) -> String {
    let sign = if number.numerator < 0 { "-" } else { "" };
    let digits = number.numerator.unsigned_abs().to_string();
    let places = usize::try_from(number.places).unwrap_or(0);
    if places == 0 {
        return format!("{sign}{digits}.0");
    }
    let padded = format!("{digits:0>width$}", width = places + 1);
    let (whole, behind) = padded.split_at(padded.len() - places);
    format!("{sign}{whole}.{behind}")
}

fn list(items: impl Iterator<Item = impl Display>) -> String {
    let items: Vec<String> = items.map(|item| item.to_string()).collect();
    format!("[{}]", items.join(", "))
}

fn positive(direction: Positive) -> &'static str {
    match direction {
        Positive::Charge => "charge",
        Positive::Discharge => "discharge",
    }
}

fn order(order: WordOrder) -> &'static str {
    match order {
        WordOrder::HighFirst => "high-first",
        WordOrder::LowFirst => "low-first",
    }
}

impl Text {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    fn key(&mut self, key: &str, value: impl Display) {
        let _ = writeln!(self.text, "{key} = {value}");
    }

    /// A key of a table (`inverter.silence_s`) with its value, or blank where nobody said it.
    fn said(&mut self, profile: &Profile, key: &str, value: impl Display) {
        let name = key.split_once('.').map_or(key, |(_, name)| name);
        let open = profile.draft.iter().flat_map(|draft| &draft.open);
        match Blank::named(key).filter(|_| open.into_iter().any(|open| open == key)) {
            Some(blank) => self.blank(name, blank),
            None => self.key(name, value),
        }
    }

    fn blank(&mut self, name: &str, blank: &Blank) {
        let _ = writeln!(self.text, "{name} = \"{BLANK}\" # {}", blank.asked);
    }

    /// A table of which nobody said anything, with its keys as blanks.
    fn blanks(&mut self, header: &str, keys: &[&str]) {
        let _ = writeln!(self.text, "\n{header}");
        for blank in keys.iter().filter_map(|key| Blank::named(key)) {
            let name = blank
                .key
                .split_once('.')
                .map_or(blank.key, |(_, name)| name);
            self.blank(name, blank);
        }
    }

    fn words(&mut self, key: &str, text: &Foreign) {
        if !text.is_empty() {
            self.key(key, text_of(text));
        }
    }

    fn number(&self, register: u16, table: Option<Table>) -> u32 {
        in_document(register, table, self.numbering)
    }

    fn head(&mut self, profile: &Profile) {
        self.line("# A register map for packside. How each key is meant: docs/maps.md.");
        self.key("format", profile.format);
        self.key(
            "addresses",
            quoted(match profile.addresses {
                Numbering::From0 => "from-0",
                Numbering::From1 => "from-1",
                Numbering::WithTable => "with-table",
            }),
        );
        let head = &profile.profile;
        self.line("\n[profile]");
        self.key("id", quoted(&head.id));
        self.said(profile, "profile.title", text_of(&head.title));
        self.key("document", text_of(&head.document));
        self.said(profile, "profile.revision", text_of(&head.revision));
        self.said(profile, "profile.author", text_of(&head.author));
        self.key("date", quoted(&head.date));
        self.key("verified_on_hardware", head.verified_on_hardware);
        self.words("notes", &head.notes);
        if let Some(draft) = &profile.draft {
            self.line("\n# While this table is here the map is a draft: no clean verdict is given with it. \"?\" is a blank.");
            self.line("# packside profile check FILE names what is open or blank, and when this table can go.");
            self.line("[draft]");
            self.key(
                "made",
                quoted(match draft.made {
                    crate::model::Made::FromTable => "from-table",
                    crate::model::Made::Learn => "learn",
                    crate::model::Made::ByHand => "by-hand",
                }),
            );
            self.words("source", &draft.source);
            let listed = draft.open.iter().filter(|key| Blank::named(key).is_none());
            self.key("open", list(listed.map(|key| quoted(key))));
            for row in &draft.unread {
                self.line("\n[[draft.unread]]");
                self.key("line", row.line);
                self.words("text", &row.text);
                self.words("why", &row.why);
            }
        }
    }

    fn picture(&mut self, profile: &Profile) {
        let answering = &profile.answering;
        self.line("\n[answering]");
        self.said(
            profile,
            "answering.line",
            quoted(&answering.line.to_string()),
        );
        self.said(profile, "answering.unit", answering.unit);
        self.key("answer_time_ms", answering.answer_time_ms);
        self.said(profile, "answering.time_out_ms", answering.time_out_ms);
        self.key("functions", list(answering.functions.iter()));
        self.inverter(profile);
        self.unit(profile);
    }

    fn inverter(&mut self, profile: &Profile) {
        let inverter = &profile.inverter;
        self.line("\n[inverter]");
        self.said(
            profile,
            "inverter.port",
            quoted(match inverter.port {
                InverterPort::ThisBus => "this-bus",
                InverterPort::OtherRs485 => "other-rs485",
                InverterPort::Can => "can",
                InverterPort::Unknown => "unknown",
            }),
        );
        self.said(
            profile,
            "inverter.fed_by",
            quoted(match inverter.fed_by {
                FedBy::AnyRequest => "any-request",
                FedBy::ReadsOf => "reads-of",
                FedBy::Writes => "writes",
                FedBy::OtherPort => "other-port",
                FedBy::Unknown => "unknown",
            }),
        );
        self.said(profile, "inverter.silence_s", inverter.silence_s);
        self.key(
            "asking_may_close_switches",
            inverter.asking_may_close_switches,
        );
        let flag = inverter.flag.as_deref();
        if flag.is_some() || profile.draft.is_some() {
            self.said(profile, "inverter.flag", quoted(flag.unwrap_or(BLANK)));
        }
    }

    fn unit(&mut self, profile: &Profile) {
        let unit = &profile.unit;
        self.line("\n[unit]");
        self.said(
            profile,
            "unit.switch",
            quoted(match unit.switch {
                SwitchKind::Contactor => "contactor",
                SwitchKind::SolidState => "solid-state",
            }),
        );
        self.said(
            profile,
            "unit.terminals_without_inverter",
            quoted(match unit.terminals_without_inverter {
                Terminals::Dead => "dead",
                Terminals::Live => "live",
                Terminals::LiveUntilSilence => "live-until-silence",
            }),
        );
        self.said(
            profile,
            "unit.self_test_s",
            format!("{:?}", unit.self_test_s),
        );
        self.said(profile, "unit.cells_per_module", unit.cells_per_module);
        self.said(profile, "unit.chemistry", text_of(&unit.chemistry));
        self.said(
            profile,
            "unit.rest_current",
            format!("{:?}", unit.rest_current),
        );
        if profile.cell.is_none() {
            self.blanks(
                "[cell]",
                &[
                    "cell.never_charge_below",
                    "cell.charge_from_c",
                    "cell.charge_to_c",
                ],
            );
        }
        for rule in &profile.recognise {
            self.recognise(rule);
        }
        if profile.recognise.is_empty() {
            self.blanks("[[recognise]]", &["recognise.point", "recognise.equals"]);
        }
    }

    fn recognise(&mut self, rule: &Recognise) {
        self.line("\n[[recognise]]");
        self.key("point", quoted(&rule.point));
        match &rule.equals {
            Scalar::Number(number) => self.key("equals", number),
            Scalar::Text(text) => self.key("equals", text_of(text)),
        }
    }

    fn span(&mut self, key: &str, span: &Span) {
        let (from, to) = (
            self.number(span.from, Some(span.table)),
            self.number(span.to, Some(span.table)),
        );
        let _ = write!(
            self.text,
            "\n[[{key}]]\ntable = \"{}\"\nfrom = {from}\nto = {to}\n",
            words::table(span.table)
        );
    }

    fn group(&mut self, profile: &Profile, group: &Group) {
        self.line("\n[[group]]");
        self.key("id", quoted(&group.id));
        self.key("table", quoted(words::table(group.table)));
        let counted_by = profile.points_with(Role::ModuleCount).next();
        match counted_by.filter(|_| matches!(group.count, Count::Fixed(_))) {
            Some(point) => {
                let (count, id) = (counted(&group.count), &point.id);
                let _ = writeln!(
                    self.text,
                    "count = {count} # or \"{id}\": as many as the unit says, where units differ"
                );
            }
            None => self.key("count", counted(&group.count)),
        }
        self.key("at_most", group.at_most);
        if group.starts.is_empty() {
            self.key("address", self.number(group.address, Some(group.table)));
            self.key("stride", group.stride);
        } else {
            let starts: Vec<u32> = group
                .starts
                .iter()
                .map(|start| self.number(*start, Some(group.table)))
                .collect();
            self.key("starts", list(starts.iter()));
        }
        if !group.numbers.is_empty() {
            self.key("numbers", list(group.numbers.iter()));
        }
    }

    fn point(&mut self, profile: &Profile, point: &Point) {
        self.line("\n[[point]]");
        self.key("id", quoted(&point.id));
        self.words("name", &point.name);
        self.key("role", quoted(point.role.id()));
        if let Some(group) = &point.group {
            self.key("group", quoted(group));
            self.key("address", point.address);
        } else {
            if let Some(table) = point.table {
                self.key("table", quoted(words::table(table)));
            }
            self.key("address", self.number(point.address, point.table));
        }
        self.key("type", quoted(words::kind_name(point.kind)));
        if let Some(registers) = point.registers {
            self.key("registers", registers);
        }
        if point.order != WordOrder::HighFirst {
            self.key("order", quoted(order(point.order)));
        }
        if let Some([from, to]) = point.bits {
            self.key("bits", format!("[{from}, {to}]"));
        }
        if point.scale != Decimal::default() {
            self.key("scale", decimal(point.scale));
        }
        if point.offset.numerator != 0 {
            self.key("offset", decimal(point.offset));
        }
        self.words("unit", &point.unit);
        if !point.not_available.is_empty() {
            self.key("not_available", list(point.not_available.iter()));
        }
        if let Some(direction) = point.positive {
            self.key("positive", quoted(positive(direction)));
        }
        if let Some(repeat) = &point.repeat {
            let (count, stride, name) =
                (counted(&repeat.count), repeat.stride, text_of(&repeat.name));
            self.key(
                "repeat",
                format!("{{ count = {count}, stride = {stride}, name = {name} }}"),
            );
        }
        self.limits(point);
        if point.required {
            self.key("required", true);
        }
        if !point.values.is_empty() {
            self.line("value = [");
            for value in &point.values {
                let state = value
                    .state
                    .map_or_else(String::new, |state| format!(", state = \"{}\"", state.id()));
                let _ = writeln!(
                    self.text,
                    "  {{ is = {}, name = {}{state} }},",
                    value.is,
                    text_of(&value.name)
                );
            }
            self.line("]");
        }
        if let Some(standing) = &point.draft {
            self.standing("point", standing, profile.table_of(point));
        }
    }

    /// The limits that it needs, as blanks.
    fn limits(&mut self, point: &Point) {
        let limits = limits_needed(point.role);
        if !limits.is_empty() {
            let blanks = limits.iter().map(|key| format!("{key} = \"{BLANK}\""));
            let blanks = blanks.collect::<Vec<_>>().join(", ");
            let unit = point.unit.clean();
            let _ = writeln!(
                self.text,
                "limits = {{ {blanks} }} # where the unit or its data sheet alarms, {unit}"
            );
        }
    }

    fn flag(&mut self, flag: &Flag) {
        self.line("\n[[flag]]");
        self.key("id", quoted(&flag.id));
        self.key("point", quoted(&flag.point));
        if let Some(bit) = flag.bit {
            self.key("bit", bit);
        }
        if !flag.values.is_empty() {
            self.key("values", list(flag.values.iter()));
        }
        if flag.active != 1 {
            self.key("active", flag.active);
        }
        self.key("class", quoted(flag.class.id()));
        self.key("severity", quoted(words::severity(flag.severity)));
        self.key("lies_in", quoted(words::lies_in_name(flag.lies_in)));
        self.key(
            "clears",
            quoted(match flag.clears {
                Clears::BySelf => "self",
                Clears::PowerCycle => "power-cycle",
                Clears::Service => "service",
            }),
        );
        self.key("meaning", text_of(&flag.meaning));
        self.words("do", &flag.to_do);
        if let Some(standing) = &flag.draft {
            self.standing("flag", standing, None);
        }
    }

    fn standing(&mut self, item: &str, standing: &Standing, table: Option<Table>) {
        let _ = write!(
            self.text,
            "[{item}.draft]\ngrade = \"{}\"\n",
            standing.grade.id()
        );
        if !standing.open.is_empty() {
            self.key(
                "open",
                list(standing.open.iter().map(|key| quoted(key.id()))),
            );
        }
        for evidence in &standing.evidence {
            self.evidence(item, evidence);
        }
        for rival in &standing.rivals {
            self.rival(item, rival, table);
        }
    }

    fn evidence(&mut self, item: &str, evidence: &Evidence) {
        let _ = write!(
            self.text,
            "[[{item}.draft.evidence]]\nby = \"{}\"\n",
            evidence.by.id()
        );
        for (key, number) in [
            ("line", evidence.line),
            ("held", evidence.held),
            ("of", evidence.of),
        ] {
            if let Some(number) = number {
                self.key(key, number);
            }
        }
        if !evidence.words.is_empty() {
            self.key("words", list(evidence.words.iter().map(u16::to_string)));
        }
        self.words("text", &evidence.text);
    }

    fn rival(&mut self, item: &str, rival: &Rival, table: Option<Table>) {
        let _ = writeln!(self.text, "[[{item}.draft.rival]]");
        let named = [
            ("role", rival.role.map(|role| role.id())),
            ("table", rival.table.map(words::table)),
            ("type", rival.kind.map(words::kind_name)),
            ("order", rival.order.map(order)),
            ("positive", rival.positive.map(positive)),
            ("class", rival.class.map(|class| class.id())),
        ];
        for (key, name) in named {
            if let Some(name) = name {
                self.key(key, quoted(name));
            }
        }
        if let Some(address) = rival.address {
            self.key("address", self.number(address, rival.table.or(table)));
        }
        if let Some(count) = rival.count {
            self.key("count", count);
        }
        for (key, number) in [("scale", rival.scale), ("offset", rival.offset)] {
            if let Some(number) = number {
                self.key(key, decimal(number));
            }
        }
        if let Some(unit) = &rival.unit {
            self.key("unit", text_of(unit));
        }
        for (key, number) in [("bit", rival.bit), ("active", rival.active)] {
            if let Some(number) = number {
                self.key(key, number);
            }
        }
        self.words("why", &rival.why);
    }
}

fn counted(count: &Count) -> String {
    match count {
        Count::Fixed(count) => count.to_string(),
        Count::Each(counts) => list(counts.iter()),
        Count::Named(name) => quoted(name),
    }
}
