//! The format carries model-relative maps: a published SunSpec image, read by a fixture profile.

use std::collections::BTreeMap;

use packside_profiles::model::Profile;
use packside_profiles::sunspec::{self, Chain, UnitAt, Walk, WalkAnswer, WalkStep};
use packside_profiles::{Known, Layout, Quality, Value, decode, load, models_in_chain};

// Kind:   published (models) and derived (image)
// Source: PyPI pysunspec2 1.3.7, models 1, 802 and 803, image made with its type encoders and
//         re-read by its client scan; 228 registers from 40000: mark, model 1 at 40002, 802 at
//         40070, 803 with two strings at 40134, end
#[rustfmt::skip]
const IMAGE: &str = "\
    53756e53000100424578616d706c65436f000000000000000000000000000000000000000000000044656d6f2d455353\
    00000000000000000000000000000000000000000000000000000000000000000000000000000000312e322e33000000\
    0000000000000000534e303030310000000000000000000000000000000000000000000000000000000180000322003e\
    0064020001f401f4ffff03e80000ffffffff01b5ffff03d9000111700006000004d20000000000040004ffffffffffff\
    000000010000000000000000000000001461ffffffff0cc8ffffffff0cb3ffffffff0cbefff4ffffffffffc1ffff8000\
    ffffffff0000000100018000ffff8000fffffffefffdffff000000010323005a0002000100fbffffffffffe0ffffffff\
    8000ffffffffffffffffffff8000ffff8000ffff8000fffffffdffffffff8000ffff8000000400000003000001b5ffff\
    fff40cc8ffff0cb3ffff0cbe00fbffff00b4ffff00d2ffff0000000100000000ffffffffffffffffffffffffffffffff\
    80008000000400000001000701aeffff00000cc6ffff0af1ffff0c8000beffffffe0ffff005affff0000000000100800\
    ffffffffffffffffffffffffffffffff80008000ffff0000";

const START: u16 = 40000;

fn image() -> Vec<u16> {
    let digits: Vec<char> = IMAGE.chars().collect();
    digits
        .chunks(4)
        .map(|four| u16::from_str_radix(&four.iter().collect::<String>(), 16).unwrap())
        .collect()
}

fn profile() -> Profile {
    load(include_str!("sunspec.toml"), "sunspec.toml")
        .unwrap_or_else(|problems| panic!("{problems}"))
}

/// Everything of the image by printed name: raw, value, quality.
fn readings() -> BTreeMap<String, (u64, Option<Value>, Quality)> {
    let (words, profile) = (image(), profile());
    let mut known = Known {
        models: models_in_chain(&words, START),
        ..Known::default()
    };
    known.counts.insert("string_count".to_owned(), 2);
    let layout = Layout::new(&profile, &known);
    assert_eq!(layout.pending, Vec::<usize>::new());
    let content = |address: u16, count: u16| {
        let from = usize::from(address - START);
        &words[from..from + usize::from(count)]
    };
    let power = |id: &str| {
        let found = layout
            .instances
            .iter()
            .find(|i| i.name(&profile) == id)
            .unwrap();
        let decoded = decode(
            &profile.points[found.point],
            content(found.address, found.registers),
            0,
        )
        .unwrap();
        match decoded.value {
            Some(Value::Number(n)) => n as i8,
            _ => 0,
        }
    };
    layout
        .instances
        .iter()
        .map(|instance| {
            let point = &profile.points[instance.point];
            let power = point.scale_point.as_ref().map_or(0, |id| power(id));
            let decoded =
                decode(point, content(instance.address, instance.registers), power).unwrap();
            (
                instance.name(&profile),
                (decoded.raw, decoded.value, decoded.quality),
            )
        })
        .collect()
}

// Kind:   derived
// Source: arithmetic on the image's layout: 2 + 40000; 40002 + 2 + 66; 40070 + 2 + 62
#[test]
fn models_of_a_published_chain_are_found() {
    let found = models_in_chain(&image(), START);
    let expected = BTreeMap::from([
        (1, (40002, 66)),
        (802, (40070, 62)),
        (803, (40134, 26 + 2 * 32)),
    ]);
    assert_eq!(found, expected);
}

#[test]
fn models_of_a_chain_without_mark_or_cut_short_are_left_out() {
    assert!(models_in_chain(&[], 0).is_empty());
    assert!(models_in_chain(&[0x5375, 0x6e54, 1, 66], 0).is_empty());
    assert!(models_in_chain(&[0x5375, 0x6e53, 1], 0).is_empty());
    // A model that ends behind register 65535 ends the chain, without a panic.
    let words = [0x5375, 0x6e53, 1, 0xffff, 0, 0];
    assert_eq!(
        models_in_chain(&words, 0xfff0),
        BTreeMap::from([(1, (0xfff2, 0xffff))])
    );
}

// Kind:   published
// Source: values that pysunspec2 1.3.7 reads from the same image
#[test]
fn points_of_models_802_and_803_have_their_published_values() {
    let readings = readings();
    let number = |name: &str| match &readings[name] {
        (_, Some(Value::Number(n)), Quality::Good) => *n,
        other => panic!("{name}: {other:?}"),
    };
    let expected = [
        ("soc", 43.7),
        ("soh", 98.5),
        ("cycles", 70000.0),
        ("voltage", 52.17),
        ("cell_voltage_max", 3.272),
        ("cell_voltage_min", 3.251),
        ("current", -1.2),
        ("power", -630.0),
        ("energy", 5120.0),
        ("heartbeat", 1234.0),
        ("controller_heartbeat", 0.0),
        ("temperature_min", -3.2),
        ("string_cell_min[1]", 3.251),
        ("string_cell_min[2]", 2.801),
    ];
    for (name, value) in expected {
        assert_eq!(number(name), value, "{name}");
    }
    let good = |name: &str| (readings[name].1.clone(), readings[name].2);
    let code = |n| (Some(Value::Code(n)), Quality::Good);
    assert_eq!(good("state"), code(4));
    assert_eq!(good("charge_status"), code(6));
    assert_eq!(good("control_mode"), code(0));
    assert_eq!(good("string_failure[1]"), code(0));
    assert_eq!(good("string_failure[2]"), code(7));
    assert_eq!(good("events"), (Some(Value::Bits(1)), Quality::Good));
    assert_eq!(
        good("string_events[2]"),
        (Some(Value::Bits(0x0010_0800)), Quality::Good)
    );
    assert_eq!(
        good("string_switches[2]"),
        (Some(Value::Bits(0)), Quality::Good)
    );
    assert_eq!(good("dod"), (None, Quality::NotAvailable));
    assert_eq!(good("inverter_order"), (None, Quality::NotAvailable));
    assert_eq!(
        good("serial"),
        (Some(Value::Text("SN0001".to_owned().into())), Quality::Good)
    );
    assert_eq!(
        good("firmware"),
        (Some(Value::Text("1.2.3".to_owned().into())), Quality::Good)
    );
    assert_eq!(good("options"), (None, Quality::NotAvailable));
}

#[test]
fn layout_without_models_leaves_every_point_pending() {
    let profile = profile();
    let layout = Layout::new(&profile, &Known::default());
    assert_eq!(layout.pending.len(), profile.points.len());
}

/// Walks over an image, and stops where the walk does.
fn walked(words: &[u16], start: u16) -> Chain {
    let mut walk = Walk::new(&sunspec::models().unwrap());
    while let WalkStep::Read { address, count } = walk.next() {
        let from = usize::from(address.wrapping_sub(start));
        match words.get(from..from + usize::from(count)) {
            Some(words) => walk.take(WalkAnswer::Words(words)),
            None => walk.take(WalkAnswer::Refused),
        }
    }
    walk.chain().unwrap()
}

fn made(chain: &Chain) -> Profile {
    let line = "9600-8N1".parse().unwrap();
    let text = sunspec::map_of(chain, UnitAt { unit: 1, line }).unwrap();
    load(&text, "made").unwrap_or_else(|problems| panic!("{problems}"))
}

// Kind:   published (models), captured (image) and derived (what the map must say of it)
// Source: as IMAGE
#[test]
fn chain_of_the_image_is_walked_and_made_into_a_map() {
    let chain = walked(&image(), START);
    let models: Vec<_> = chain
        .models
        .iter()
        .map(|m| (m.id, m.at, m.length))
        .collect();
    assert_eq!(models, [(1, 40002, 66), (802, 40070, 62), (803, 40134, 90)]);
    assert_eq!(chain.end, sunspec::ChainEnd::Whole(40226));
    let profile = made(&chain);
    let flag = profile.flag("strings-2-contactor-error").unwrap();
    assert_eq!(
        flag.meaning.clean(),
        "string 2: a contactor did not open or close as ordered"
    );
    assert_eq!(flag.point, "strings_2_str_evt1");
}

#[test]
fn example_with_every_model_has_no_mistakes() {
    let text = sunspec::example().unwrap();
    let profile = load(&text, "example").unwrap_or_else(|problems| panic!("{problems}"));
    for role in [
        "cell_voltage",
        "pack_current",
        "own_heartbeat",
        "inverter_heartbeat",
    ] {
        assert!(profile.points.iter().any(|p| p.role.id() == role), "{role}");
    }
}
