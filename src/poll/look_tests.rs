//! A look at racks, and one that reads again.

use super::*;
use crate::wire::Answer;

/// A look at the shipped rack, whose packs answer whatever is asked: each its own heartbeat, all of them that
/// there are so many.
fn units_asked(packs: u16, silent: u8) -> (Look, Vec<u8>, Duration) {
    let mut shipped = packside_profiles::shipped().iter();
    let (_, text) = shipped.find(|(id, _)| *id == "generic-lv-rack").unwrap();
    let text = text.replace("at_most = 8", "at_most = 16");
    let text = text.replace("possible = [1, 8]", "possible = [1, 16]");
    let profile = packside_profiles::load(&text, "rack").unwrap();
    let of_role = |role| {
        let layout = Layout::new(&profile, &Known::default());
        let is_one = |i: &&Instance| profile.points[i.point].role == role;
        layout.instances.iter().find(is_one).cloned().unwrap()
    };
    let (count, beat) = (of_role(Role::PackCount), of_role(Role::OwnHeartbeat));
    let cost = Cost {
        line: None,
        answer_time: Duration::from_millis(20),
    };
    let unit = profile.answering.unit;
    let mut look = Look::new(Arc::new(profile), unit, false, cost);
    let (mut asked, mut now) = (Vec::new(), Duration::ZERO);
    loop {
        let ask = match look.next(now) {
            LookWant::Ask(ask) => ask,
            LookWant::WaitUntil(until) => {
                now = until;
                continue;
            }
            LookWant::Done => return (look, asked, now),
        };
        asked.push(ask.unit);
        now += Duration::from_secs(1);
        look.take(&answer(ask, now, silent, (&count, packs), &beat));
    }
}

fn answer(
    ask: Ask,
    now: Duration,
    silent: u8,
    (count, packs): (&Instance, u16),
    beat: &Instance,
) -> Exchange {
    let Question::Read {
        table,
        address,
        count: registers,
    } = ask.question
    else {
        panic!("{ask:?}")
    };
    let mut words = vec![0; registers.into()];
    let mut put = |what: &Instance, value: u16| {
        let place = what.address.checked_sub(address).map(usize::from);
        if let Some(word) = place
            .and_then(|place| words.get_mut(place))
            .filter(|_| what.table == table)
        {
            *word = value;
        }
    };
    // The map has it in the high byte of its register.
    put(count, packs << 8);
    put(beat, u16::try_from(now.as_secs()).unwrap());
    Exchange {
        number: 1,
        ask,
        asked_at: now,
        sent_at: Some(now),
        ended_at: now,
        first_byte_at: Some(now),
        outcome: if ask.unit == silent {
            Outcome::TimedOut(Silence::Nothing)
        } else {
            Outcome::Answered(Answer::Registers(words))
        },
        strays: Vec::new(),
        fence: false,
    }
}

// Kind: derived
// Note: one question a second; flags and extremes of sixteen packs lie within one freshness window (30 s), the
//       whole rack within the longest one (120 s)
#[test]
fn rack_of_sixteen_gives_flags_and_extremes_of_all_before_the_rest_of_any() {
    let (_, asked, took) = units_asked(16, 0);
    let back = asked.iter().rposition(|unit| *unit == 16);
    let first_of_last = asked.iter().position(|unit| *unit == 16).unwrap();
    assert!(first_of_last <= 30, "{asked:?}");
    let again = asked.iter().skip(first_of_last).position(|unit| *unit == 1);
    assert!(again.is_some_and(|behind| behind <= 2), "{asked:?}");
    assert_eq!(back, Some(asked.len() - 1));
    assert!(took <= Duration::from_secs(120), "{took:?}");
    println!("16 packs: {} questions, {took:?}", asked.len());
}

// Kind: invented
#[test]
fn pack_that_does_not_answer_is_asked_three_times_and_then_left_out() {
    let (_, asked, _) = units_asked(3, 2);
    assert_eq!(
        asked.iter().filter(|unit| **unit == 2).count(),
        3,
        "{asked:?}"
    );
    assert_eq!(asked.last(), Some(&3));
}

// Kind: common practice (a number beyond its limit is read again within two seconds)
#[test]
fn what_was_measured_is_read_a_second_time_within_two_seconds() {
    let (mut look, _, now) = units_asked(2, 0);
    look.read_again([2], now);
    let LookWant::WaitUntil(until) = look.next(now) else {
        panic!("asked at once: the unit has measured nothing new")
    };
    assert!(until - now >= Duration::from_secs(1) && until - now <= Duration::from_secs(2));
    assert!(matches!(look.next(until), LookWant::Ask(ask) if ask.unit == 2));
}
