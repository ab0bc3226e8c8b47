//! From a judgement to its JSON, field by field.

use std::time::Duration;

use packside_profiles::model::{self, Table};
use packside_profiles::{Place, Value};

use super::{
    Bus, Cause, Check, Counted, Finding, Health, Identity, Link, Member, Module, NextStep,
    NotTested, OpenPoint, Profile, Reading, SCHEMA, Scalar, Share, Verdict, Where,
};
use crate::event::{LinkFacts, LinkKind, Plugged};
use crate::facts::{self, Basis, Disposition, Doubt, Judgement, Sight, VerdictKind};
use crate::show::json::{TOOL, by_code, fine_ms, framing, ms, thousandths};
use crate::words;

impl Check {
    /// One judgement; `profile` is the map and the fingerprint of its text.
    pub fn of(
        judgement: &Judgement,
        profile: Option<(&model::Profile, &str)>,
        link: Option<&LinkFacts>,
    ) -> Self {
        Self {
            schema: SCHEMA,
            tool: TOOL,
            simulated: link.is_some_and(LinkFacts::is_simulated),
            moment_ms: ms(judgement.moment),
            identity: Identity::of(&judgement.identity),
            profile: profile.map(|(profile, sha256)| Profile {
                id: profile.profile.id.clone(),
                sha256: sha256.to_owned(),
                verified_on_hardware: profile.profile.verified_on_hardware,
            }),
            link: link.map(Link::of),
            verdict: Verdict::of(judgement),
            not_tested: judgement.not_tested.iter().map(NotTested::of).collect(),
            findings: judgement
                .findings
                .iter()
                .map(|finding| Finding::of(finding, judgement))
                .collect(),
            readings: judgement.readings.iter().map(Reading::of).collect(),
            bus: Bus::of(&judgement.bus),
            saved: None,
        }
    }

    /// The same with every cause that was weighed, those of next to no share included.
    #[must_use]
    pub fn with_considered(mut self, judgement: &Judgement) -> Self {
        let considered = judgement.verdict.considered.iter();
        self.verdict.considered = Some(considered.map(Cause::of).collect());
        self
    }
}

impl Identity {
    fn of(identity: &facts::Identity) -> Self {
        let module = |module: &facts::ModuleIdentity| Module {
            position: module.position,
            serial: module.serial.clone(),
            firmware: module.firmware.clone(),
        };
        let member = |member: &facts::MemberSummary| Member {
            unit: member.unit,
            serial: member.serial.clone(),
            firmware: member.firmware.clone(),
            kind: member.kind.id(),
            state: member.state.as_ref().map(|state| state.kind.id()),
        };
        Self {
            serial: identity.serial.clone(),
            model: identity.model.clone(),
            firmware: identity.firmware.clone(),
            modules: identity.modules.iter().map(module).collect(),
            members: identity.members.iter().map(member).collect(),
        }
    }
}

impl Link {
    fn of(facts: &LinkFacts) -> Self {
        let (kind, place, line) = match &facts.kind {
            LinkKind::Serial { port, line } => ("serial", port, Some(line)),
            LinkKind::Gateway { address } => ("gateway", address, None),
            LinkKind::Simulated { scenario, line } => ("simulated", scenario, line.as_ref()),
        };
        Self {
            kind,
            place: place.clean().into_owned(),
            line: line.map(ToString::to_string),
            framing: framing(facts.framing),
            plugged: facts.plugged.map(Plugged::id),
            ask_anyway: facts.consent.may_wake || facts.consent.beside_others,
            may_wake: facts.consent.may_wake,
            beside_others: facts.consent.beside_others,
        }
    }
}

impl Verdict {
    fn of(judgement: &Judgement) -> Self {
        let verdict = &judgement.verdict;
        let (basis, confidence) = match verdict.basis {
            Basis::Rule => ("rule", None),
            Basis::Weighed(share) => ("weighed", Some(f64::from(share) / 1000.0)),
        };
        let open = |doubt: &Doubt| OpenPoint {
            id: doubt.id(),
            text: words::of_doubt(judgement, doubt),
            settled_by: doubt.settled_by(),
        };
        let next = |next: &facts::NextStep| NextStep {
            id: next.id(),
            text: words::next_step(judgement, next),
            needs: next.needs,
            who: words::who(next.who),
            minutes: next.minutes,
        };
        Self {
            kind: verdict.kind.id(),
            confidence,
            basis,
            summary: words::summary(judgement),
            why: words::reasons(judgement),
            open: verdict.open.iter().map(open).collect(),
            gate_filled: verdict.gate_filled,
            without_roots: verdict.without_roots.map(VerdictKind::id),
            causes: verdict.causes.iter().map(Cause::of).collect(),
            next: verdict.next.iter().map(next).collect(),
            considered: None,
        }
    }
}

impl Cause {
    fn of(cause: &facts::Cause) -> Self {
        let sights = |seen: &[Sight]| seen.iter().map(words::sight).collect();
        Self {
            id: cause.id(),
            probability: f64::from(cause.per_mille) / 1000.0,
            meaning: words::cause(cause.kind),
            reasons_for: sights(&cause.reasons_for),
            reasons_against: sights(&cause.reasons_against),
            settled_by: cause.settled_by(),
            caution: words::mind_of(cause.kind),
        }
    }
}

impl NotTested {
    fn of(not_tested: &facts::NotTested) -> Self {
        Self {
            id: not_tested.id(),
            why: words::why_not(not_tested),
            when: words::when(not_tested.when),
        }
    }
}

impl Finding {
    fn of(finding: &facts::Finding, judgement: &Judgement) -> Self {
        Self {
            id: finding.id,
            fact: finding.fact.kind().id(),
            severity: finding.severity,
            source: finding.source.id(),
            root: finding.root,
            follows_from: finding.follows_from.map(|from| from.to_string()),
            lies_in: finding.lies_in,
            clears: finding.clears,
            sure: finding.root.then(|| finding.sure.id()),
            disposition: finding.disposition.map(Disposition::id),
            since_ms: finding.since.map(ms),
            returned: finding.returned,
            place: Where::of(finding.unit, finding.place),
            text: words::of_finding(judgement, finding),
            to_do: words::what_to_do(judgement, finding),
        }
    }
}

impl Where {
    fn of(unit: u8, place: Place) -> Self {
        let text = match (place.module, place.item) {
            (Some(module), Some(item)) => format!("unit {unit}, module {module}, number {item}"),
            (Some(module), None) => format!("unit {unit}, module {module}"),
            (None, Some(item)) => format!("unit {unit}, number {item}"),
            (None, None) => format!("unit {unit}"),
        };
        Self {
            pack: unit,
            module: place.module,
            cell: place.item,
            text,
        }
    }
}

impl Reading {
    /// One reading.
    pub(crate) fn of(reading: &facts::Reading) -> Self {
        let value = |value: &Value| match value {
            Value::Number(number) => Scalar::Number(*number),
            Value::Text(text) => Scalar::Text(text.clean().into_owned()),
            Value::Bits(raw) | Value::Code(raw) => Scalar::Raw(*raw),
        };
        Self {
            point: reading.name.clone(),
            role: reading.role,
            value: reading.value.as_ref().map(value),
            value_name: reading.value_name.clone(),
            value_unit: reading.value_unit.clone(),
            raw: reading.raw.map(|raw| format!("0x{raw:04x}")),
            unit: reading.unit,
            table: table(reading.table),
            register: reading.register,
            quality: reading.quality.id(),
            remark: reading.remark.map(words::remark),
            age_ms: reading.age.map(ms),
        }
    }
}

/// Name of a table.
fn table(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Holding => "holding",
        Table::Input => "input",
    }
}

impl Bus {
    fn of(bus: &facts::Bus) -> Self {
        let fine = |time: Option<Duration>| time.map(fine_ms);
        Self {
            requests: bus.requests,
            answered: bus.answered,
            timeouts: bus.timeouts,
            damaged: bus.damaged,
            late: bus.late,
            exceptions: bus.exceptions.iter().map(|(_, count)| count).sum(),
            exceptions_by_code: by_code(bus.exceptions.iter().copied()),
            foreign_requests: bus.foreign_requests,
            echo: bus.echo,
            noise_bytes: bus.noise_bytes,
            bytes_in: bus.bytes_in,
            answer_ms_p50: fine(bus.answer_p50),
            answer_ms_p90: fine(bus.answer_p90),
            answer_ms_max: fine(bus.answer_max),
            listened_ms: ms(bus.listened),
            health: Health::of(&bus.health),
        }
    }
}

impl Health {
    fn of(health: &facts::Health) -> Self {
        Self {
            damaged: Share::of(health.damaged),
            damaged_short: Share::of(health.short),
            damaged_long: Share::of(health.long),
            damaged_with_current: Share::of(health.with_current),
            damaged_without_current: Share::of(health.without_current),
            first_bytes: Share::of(health.first_bytes),
            longest_row: health.longest_row,
            repeated: health.repeated,
            text: health.text,
            late: Share::of(health.late),
            busy: health.busy,
            crossed: health.crossed,
            counted_by_unit: health.counted.map(|counted| Counted {
                unit: counted.unit,
                questions: counted.questions,
                heard: counted.heard,
                errors: counted.errors,
                damaged_answers: counted.damaged,
            }),
        }
    }
}

impl Share {
    fn of(share: facts::Share) -> Self {
        let (low, high) = share.interval();
        Self {
            hits: share.hits,
            tries: share.tries,
            low: thousandths(low),
            high: thousandths(high),
        }
    }
}
