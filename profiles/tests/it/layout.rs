//! Where the repetitions of the shipped maps stand, and that no map can break the layout.

use packside_profiles::model::{Count, Profile, Repeat, Table};
use packside_profiles::{Instance, Known, Layout, load, shipped};

fn shipped_profile(name: &str) -> Profile {
    let (id, text) = shipped().iter().find(|(id, _)| *id == name).unwrap();
    load(text, id).unwrap()
}

fn with_modules(count: u16) -> Known {
    let mut known = Known::default();
    known.counts.insert("module_count".to_owned(), count);
    known
}

fn instance<'l>(layout: &'l Layout, profile: &Profile, name: &str) -> &'l Instance {
    layout
        .instances
        .iter()
        .find(|i| i.name(profile) == name)
        .unwrap_or_else(|| panic!("{name}"))
}

// Kind: derived
// Note: groups at 64 with stride 48; cells at 4 + 1 a cell, so cell 14 of module 2 is
//       64 + 48 + 4 + 13 = 129
#[test]
fn repetitions_are_named_and_placed_from_one() {
    let profile = shipped_profile("generic-hv-stack");
    let layout = Layout::new(&profile, &with_modules(3));
    let cell = instance(&layout, &profile, "cell_voltage[2.14]");
    assert_eq!(
        (cell.table, cell.address, cell.registers),
        (Table::Input, 129, 1)
    );
    assert_eq!((cell.place.module, cell.place.item), (Some(2), Some(14)));
    assert_eq!(
        instance(&layout, &profile, "module_voltage[3]").address,
        160
    );
    assert_eq!(instance(&layout, &profile, "module_serial[1]").address, 64);
    assert_eq!(instance(&layout, &profile, "pack_voltage").registers, 2);
    assert_eq!(
        layout
            .instances
            .iter()
            .filter(|i| i.name(&profile).starts_with("cell_voltage["))
            .count(),
        90
    );
    let profile = shipped_profile("generic-lv-rack");
    let rack = Layout::new(&profile, &Known::default());
    assert_eq!(instance(&rack, &profile, "cell_voltage[14]").address, 45);
}

#[test]
fn points_that_wait_for_a_count_are_pending() {
    let profile = shipped_profile("generic-hv-stack");
    let layout = Layout::new(&profile, &Known::default());
    let waiting: Vec<&str> = layout
        .pending
        .iter()
        .map(|i| profile.points[*i].id.as_str())
        .collect();
    assert!(waiting.contains(&"cell_voltage") && waiting.contains(&"module_serial"));
    assert!(
        layout
            .instances
            .iter()
            .any(|i| i.name(&profile) == "module_count")
    );
}

#[test]
fn a_count_is_not_believed_beyond_at_most() {
    let profile = shipped_profile("generic-hv-stack");
    let six = Layout::new(&profile, &with_modules(6));
    assert_eq!(Layout::new(&profile, &with_modules(65535)), six);
    assert!(Layout::new(&profile, &with_modules(0)).pending.is_empty());
}

// Kind: invented
#[test]
fn huge_strides_counts_and_addresses_neither_panic_nor_grow() {
    let mut profile = shipped_profile("generic-hv-stack");
    for group in &mut profile.groups {
        (group.address, group.stride, group.at_most) = (65535, 65535, 65535);
    }
    for point in &mut profile.points {
        point.address = 65535;
        if let Some(repeat) = &mut point.repeat {
            repeat.stride = 65535;
            repeat.count = packside_profiles::model::Count::Fixed(65535);
        }
    }
    let layout = Layout::new(&profile, &with_modules(65535));
    assert!(
        layout
            .instances
            .iter()
            .all(|i| u32::from(i.address) + u32::from(i.registers) <= 65536)
    );
    for group in &mut profile.groups {
        (group.address, group.stride) = (0, 0);
    }
    profile.points.iter_mut().for_each(|p| p.address = 0);
    profile
        .points
        .iter_mut()
        .filter_map(|p| p.repeat.as_mut())
        .for_each(|r| r.stride = 0);
    let layout = Layout::new(&profile, &with_modules(65535));
    assert!(layout.instances.len() < profile.points.len() * 65537);
}

// Kind: invented (voltages of modules that stand in a row of their own, beside a group of cells)
#[test]
fn what_each_module_has_once_counts_modules_outside_of_a_group_too() {
    let mut profile = shipped_profile("generic-hv-stack");
    let points = profile.points.iter_mut();
    let mut voltages = points.filter(|point| point.id == "module_voltage");
    let point = voltages.next().unwrap();
    (point.group, point.table, point.address) = (None, Some(Table::Input), 2_000);
    point.repeat = Some(Repeat {
        count: Count::Fixed(3),
        stride: 1,
        name: "module".into(),
    });
    let layout = Layout::new(&profile, &with_modules(3));
    let second = instance(&layout, &profile, "module_voltage[2]");
    assert_eq!(second.address, 2_001);
    assert_eq!((second.place.module, second.place.item), (Some(2), None));
}
