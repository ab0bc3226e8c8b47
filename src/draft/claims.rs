//! What a draft says of its points, as claims.

use packside_profiles::model::{Count, Key, Made, Numbering, Point, Profile, Table};
use packside_profiles::{Known, Layout, Role};

use crate::physics::{Claim, Images, Named, Reading, Register, Shift};

/// The claims of a draft, each with the index of its point. Counts that the unit tells are taken from the images.
pub fn claims(profile: &Profile, images: &Images) -> Vec<(usize, Claim)> {
    let layout = Layout::new(profile, &known(profile, images));
    let mut claims = Vec::new();
    for (index, point) in profile.points.iter().enumerate() {
        let here = layout.instances.iter().filter(|one| one.point == index);
        let instances: Vec<u16> = here.map(|one| one.address).collect();
        let Some(table) = profile.table_of(point).filter(|_| !instances.is_empty()) else {
            continue;
        };
        let per = per_unit(point);
        let reading = Reading {
            kind: point.kind,
            order: point.order,
            scale: point.scale.value() * per,
            offset: point.offset.value() * per,
            positive: point.positive,
        };
        let open = point.draft.as_ref().map(|draft| draft.open.clone());
        let mut open = open.unwrap_or_default();
        let may_be = may_be(profile, point);
        open.extend(common(profile));
        claims.push((
            index,
            Claim {
                role: point.role,
                table,
                instances,
                registers: point.width(),
                reading,
                absent: point.not_available.clone(),
                open,
                is_part: point.bits.is_some() || point.scale_point.is_some(),
                is_ampere_hours: point.unit == "Ah",
                named: named(profile, point),
                may_be,
                is_supposed: false,
            },
        ));
    }
    claims
}

/// What the words of a register list may mean, where they leave that open.
fn may_be(profile: &Profile, point: &Point) -> Vec<Role> {
    let made = profile.draft.as_ref().map(|head| head.made);
    let standing = point
        .draft
        .as_ref()
        .filter(|_| made == Some(Made::FromTable));
    let standing = standing.filter(|one| one.open.contains(&Key::Role));
    let rivals = standing.into_iter().flat_map(|one| &one.rivals);
    let fits = |role: &Role| role.unit().is_none_or(|unit| point.unit == unit);
    rivals.filter_map(|rival| rival.role).filter(fits).collect()
}

/// The values or bits of a point that the document names, where it names several.
fn named(profile: &Profile, point: &Point) -> Named {
    let flags = || profile.flags.iter().filter(|flag| flag.point == point.id);
    let bits = flags().filter_map(|flag| flag.bit).filter(|bit| *bit < 64);
    let mask = bits.fold(0, |mask, bit| mask | 1_u64 << bit);
    if mask.count_ones() > 1 {
        return Named::Bits(mask);
    }
    let values: Vec<u64> = point.values.iter().map(|value| value.is).collect();
    if values.len() > 1 {
        Named::Values(values)
    } else {
        Named::Nothing
    }
}

/// Where else the whole draft may lie: with numbers as 30001 the table may stand in front, or be part of them.
pub fn bases(profile: &Profile) -> Vec<Shift> {
    let layout = Layout::new(profile, &Known::default());
    let tables: Vec<Table> = layout.instances.iter().map(|one| one.table).collect();
    let Some(table) = tables.first().copied() else {
        return Vec::new();
    };
    let first = match table {
        Table::Input => 30_001,
        Table::Holding => 40_001,
        _ => return Vec::new(),
    };
    let is_one_table = tables.iter().all(|one| *one == table);
    let both = |registers| {
        [false, true].map(|other_table| Shift {
            registers,
            other_table,
        })
    };
    match profile.addresses {
        Numbering::WithTable if is_one_table => [both(first - 1), both(first)].concat(),
        Numbering::From0 | Numbering::From1 => {
            let counted = i32::from(profile.addresses == Numbering::From1);
            let in_front = |first: i32| {
                let mut numbers = layout.instances.iter();
                numbers
                    .all(|one| (first..first + 9_999).contains(&(i32::from(one.address) + counted)))
            };
            let found = [(30_001, Table::Input), (40_001, Table::Holding)]
                .into_iter()
                .find(|(first, _)| in_front(*first));
            let shift = found.map(|(first, front)| Shift {
                registers: counted - first,
                other_table: front != table,
            });
            shift.filter(|_| is_one_table).into_iter().collect()
        }
        Numbering::WithTable => Vec::new(),
    }
}

/// The same reading in the unit of the point.
pub fn in_map(point: &Point, reading: &Reading) -> Reading {
    let per = per_unit(point);
    Reading {
        scale: rounded(reading.scale / per),
        offset: rounded(reading.offset / per),
        ..*reading
    }
}

/// What the unit of a point is in the unit in which its role is weighed.
fn per_unit(point: &Point) -> f64 {
    per_unit_of(point.role, point.unit.as_given())
}

/// The same for a role that the point may have.
pub(super) fn per_unit_of(role: Role, unit: &str) -> f64 {
    match (role, unit) {
        (Role::PackPower, "kW") => 1_000.0,
        (Role::CellVoltage | Role::CellVoltageMax | Role::CellVoltageMin, "mV") => 0.001,
        (Role::PackVoltage | Role::TerminalVoltage | Role::ModuleVoltage, "mV") => 0.001,
        (Role::PackCurrent | Role::ChargeLimit | Role::DischargeLimit, "mA") => 0.001,
        _ => 1.0,
    }
}

/// Keys that are open for all points together.
fn common(profile: &Profile) -> Vec<Key> {
    let open = profile.draft.iter().flat_map(|head| &head.open);
    open.filter_map(|key| match key.as_str() {
        "table" => Some(Key::Table),
        "order" => Some(Key::Order),
        _ => None,
    })
    .collect()
}

/// Counts as the unit tells them.
fn known(profile: &Profile, images: &Images) -> Known {
    let mut known = Known::default();
    let groups = profile
        .groups
        .iter()
        .map(|group| (&group.count, group.at_most));
    let points = profile
        .points
        .iter()
        .filter_map(|point| point.repeat.as_ref());
    let repeats = points.map(|repeat| (&repeat.count, u16::MAX));
    for (count, at_most) in groups.chain(repeats) {
        let Count::Named(id) = count else { continue };
        let told = profile.points.iter().find(|point| point.id == *id);
        let told = told.and_then(|point| {
            let at = Register::new(profile.table_of(point)?, point.address);
            images.row(at)?.iter().flatten().next_back().copied()
        });
        if let Some(told) = told.filter(|told| (1..=at_most).contains(told)) {
            known.counts.insert(id.clone(), told);
        }
    }
    known
}

/// A short decimal again, after arithmetic.
fn rounded(number: f64) -> f64 {
    let short = format!("{number:.9}");
    short.parse().unwrap_or(number)
}

#[cfg(test)]
mod tests {
    use packside_profiles::as_written;
    use packside_profiles::model::Kind;

    use super::*;

    // Kind: invented (the shipped map of a stack: thirty cells in a module, six modules at most)
    #[test]
    fn cells_of_all_modules_are_one_claim_and_counts_come_from_the_unit() {
        let (_, text) = packside_profiles::shipped()[0];
        let profile = as_written(text, "shipped").unwrap();
        let mut images = Images::default();
        images.push(0.0, [(Register::new(Table::Holding, 1), 3)]);
        let claims = claims(&profile, &images);
        let cells = claims
            .iter()
            .find(|(_, claim)| claim.role == Role::CellVoltage)
            .unwrap();
        assert_eq!(cells.1.instances.len(), 90);
        assert_eq!(cells.1.instances[..2], [68, 69]);
        assert_eq!(
            (cells.1.table, cells.1.reading.kind),
            (Table::Input, Kind::U16)
        );
    }
}
