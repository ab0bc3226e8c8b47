//! A world in virtual time with one client, and short ways to ask it.
//!
//! The client has a CRC of its own, a third one, pinned below by a published value.

use std::time::Duration;

use packside_profiles::model::{Profile, Table};
use packside_profiles::{Class, Known, Layout, Quality, Role, StateKind, Value, decode};
use packside_simulator::{Scenario, World};

/// Longest wait for an answer.
const PATIENCE: Duration = Duration::from_secs(3);

/// A world, its profile, and the time of its client.
pub(crate) struct Stage {
    pub(crate) world: World,
    pub(crate) profile: Profile,
    scenario: Scenario,
}

/// Seconds as a time.
pub(crate) fn s(seconds: f64) -> Duration {
    Duration::from_secs_f64(seconds)
}

/// A shipped profile.
pub(crate) fn profile(name: &str) -> Profile {
    packside_profiles::find(name, None).unwrap().profile
}

/// A scenario of a profile: what stands in `rest` comes after the obligatory keys.
pub(crate) fn scenario(profile: &str, rest: &str) -> Scenario {
    let head = format!(
        "format = 1\nname = \"test\"\ntitle = \"invented\"\nprofile = \"{profile}\"\nlook_at = \"1s\"\n"
    );
    Scenario::load(&format!("{head}{rest}"), "test.toml").unwrap_or_else(|e| panic!("{e}"))
}

/// The high-voltage stack with a scenario.
pub(crate) fn stack(rest: &str) -> Stage {
    let name = "generic-hv-stack";
    Stage::of(profile(name), scenario(name, rest))
}

/// The rack with a scenario.
pub(crate) fn rack(rest: &str) -> Stage {
    let name = "generic-lv-rack";
    Stage::of(profile(name), scenario(name, rest))
}

impl Stage {
    /// A world of a profile and a scenario.
    pub(crate) fn of(profile: Profile, scenario: Scenario) -> Self {
        let world = World::new(&scenario, &profile, scenario.seed);
        Self {
            world,
            profile,
            scenario,
        }
    }

    /// A shipped scenario.
    pub(crate) fn shipped(name: &str) -> Self {
        let scenario = Scenario::find(name).unwrap();
        let profile = scenario.load_map(None).unwrap().profile;
        Self::of(profile, scenario)
    }

    /// Goes on to a time.
    pub(crate) fn at(&mut self, seconds: f64) -> &mut Self {
        self.world.advance(s(seconds));
        self
    }

    /// State of the first unit.
    pub(crate) fn state(&self) -> StateKind {
        self.world.truth().units[0].state
    }

    /// Whether the first unit really has an active flag of a class, by alarm or warning word.
    pub(crate) fn has(&self, class: Class) -> bool {
        self.flags_of(class)
            .iter()
            .any(|id| self.world.truth().units[0].flags.contains(id))
    }

    /// Flags of a class, without stored ones.
    pub(crate) fn flags_of(&self, class: Class) -> Vec<String> {
        let stored = |point: &str| {
            let found = self.profile.points.iter().find(|p| p.id == point);
            found.is_some_and(|p| p.role == Role::LatchedWord)
        };
        let flags = self.profile.flags.iter();
        flags
            .filter(|f| f.class == class && !stored(&f.point))
            .map(|f| f.id.clone())
            .collect()
    }

    /// Asks on the serial line; gives the PDU of the answer, nothing if none comes in time.
    pub(crate) fn ask(&mut self, unit: u8, pdu: &[u8]) -> Option<Vec<u8>> {
        let began = self.world.now();
        self.world.send(began, &rtu(unit, pdu));
        let mut heard = Vec::new();
        while self.world.now() < began + PATIENCE {
            let wake = self.world.next_wake().unwrap_or(began + PATIENCE);
            let to = wake.min(began + PATIENCE).max(self.world.now());
            for arrival in self.world.advance_all(to) {
                if arrival.client == Some(0) {
                    heard.extend(arrival.bytes);
                }
            }
            if heard.len() >= 4 && crc(&heard) == 0 {
                // The next question must not come before the silence is over.
                let rest = self.world.now() + self.world.line().frame_silence();
                self.world.advance(rest);
                return Some(heard[1..heard.len() - 2].to_vec());
            }
        }
        None
    }

    /// Reads registers; panics unless they are answered.
    pub(crate) fn registers(&mut self, unit: u8, table: Table, from: u16, count: u16) -> Vec<u16> {
        let pdu = read(table, from, count);
        let answer = self.ask(unit, &pdu).expect("no answer");
        assert_eq!(
            answer[..2],
            [pdu[0], u8::try_from(count * 2).unwrap()],
            "{answer:02x?}"
        );
        let words = answer[2..].chunks(2);
        words.map(|w| u16::from_be_bytes([w[0], w[1]])).collect()
    }

    /// Reads every repetition of the points with a role over the wire: names and values.
    pub(crate) fn read_all(&mut self, unit: u8, role: Role) -> Vec<(String, Option<Value>)> {
        let mut known = Known::default();
        for point in &self.profile.points {
            let count = match point.role {
                Role::ModuleCount => self.scenario.stack.modules,
                Role::PackCount => self.scenario.stack.packs.into(),
                _ => continue,
            };
            known.counts.insert(point.id.clone(), count);
        }
        let layout = Layout::new(&self.profile, &known);
        let mut values = Vec::new();
        for instance in layout.instances {
            let point = self.profile.points[instance.point].clone();
            if point.role != role {
                continue;
            }
            let words = self.registers(unit, instance.table, instance.address, instance.registers);
            let decoded = decode(&point, &words, 0).unwrap();
            let value = decoded
                .value
                .filter(|_| decoded.quality != Quality::NotAvailable);
            values.push((instance.name(&self.profile), value));
        }
        assert!(!values.is_empty(), "no point has the role {role:?}");
        values
    }

    /// The first value of a role as a number.
    pub(crate) fn number(&mut self, unit: u8, role: Role) -> Option<f64> {
        self.numbers(unit, role).remove(0)
    }

    /// All values of a role as numbers.
    pub(crate) fn numbers(&mut self, unit: u8, role: Role) -> Vec<Option<f64>> {
        let number = |value| match value {
            Value::Number(number) => number,
            Value::Bits(raw) | Value::Code(raw) => f64::from(u32::try_from(raw).unwrap()),
            Value::Text(text) => panic!("{text:?} is no number"),
        };
        let all = self.read_all(unit, role);
        all.into_iter().map(|(_, v)| v.map(number)).collect()
    }

    /// Table, first register and function code of the first point with a role.
    pub(crate) fn place(&self, role: Role) -> (Table, u16) {
        let point = self.profile.points.iter().find(|p| p.role == role).unwrap();
        (point.table.unwrap(), point.address)
    }
}

/// A question to read.
pub(crate) fn read(table: Table, from: u16, count: u16) -> Vec<u8> {
    let function = match table {
        Table::Coil => 1,
        Table::Discrete => 2,
        Table::Holding => 3,
        Table::Input => 4,
    };
    let mut pdu = vec![function];
    pdu.extend(from.to_be_bytes());
    pdu.extend(count.to_be_bytes());
    pdu
}

/// A frame for a serial line.
pub(crate) fn rtu(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    let crc = crc(&frame);
    frame.extend([
        u8::try_from(crc & 0xff).unwrap(),
        u8::try_from(crc >> 8).unwrap(),
    ]);
    frame
}

/// CRC-16 of Modbus over reflected bytes, written another way than the simulator's.
pub(crate) fn crc(bytes: &[u8]) -> u16 {
    let mut register = 0xffffu16;
    for byte in bytes {
        register ^= u16::from(*byte);
        for _ in 0..8 {
            let carry = register % 2 == 1;
            register /= 2;
            if carry {
                register ^= 0xa001;
            }
        }
    }
    register
}

// Kind:   published
// Source: Catalogue of parametrised CRC algorithms, CRC-16/MODBUS, check; Modbus Application
//         Protocol V1.1b3, 6.3, the request for registers 108 to 110 with its CRC
#[test]
fn crc_of_the_test_client_matches_published_values() {
    assert_eq!(crc(b"123456789"), 0x4b37);
    assert_eq!(
        rtu(0x11, &[0x03, 0x00, 0x6b, 0x00, 0x03]),
        [0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87]
    );
}
