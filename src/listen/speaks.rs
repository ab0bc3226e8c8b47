//! Who speaks on the other side, where it is plainly not a unit with the framing that we speak.
//!
//! Takes the bytes that came; names a web server, printable text, Modbus ASCII, or the other
//! framing. Says nothing where the bytes could be a unit's.
//!
//! Does not: judge silence. An RTU gateway that is asked in Modbus TCP framing often says nothing.

use crate::wire::Framing;

/// What was recognised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Speaks {
    /// An HTTP server.
    #[error("a web server answers here, not a Modbus gateway")]
    WebServer,
    /// Modbus in ASCII characters.
    #[error("Modbus ASCII is spoken here, not RTU or TCP framing")]
    ModbusAscii,
    /// A console, a banner, a logger.
    #[error("printable text comes from here, not Modbus frames")]
    Text,
    /// RTU frames, though we speak Modbus TCP.
    #[error("RTU frames come from here, but Modbus TCP framing was spoken to it")]
    Rtu,
    /// Modbus TCP frames, though we speak RTU.
    #[error("Modbus TCP frames come from here, but RTU framing was spoken to it")]
    Tcp,
}

impl Speaks {
    /// The one thing to do.
    pub fn hint(self) -> &'static str {
        match self {
            Self::WebServer => "give the gateway's Modbus port, often 502, not its web page",
            Self::ModbusAscii => "set the gateway or unit to RTU",
            Self::Text => "check the port: this looks like a console or a logger",
            Self::Rtu => "try --framing rtu",
            Self::Tcp => "try --framing tcp",
        }
    }
}

/// Names the speaker, from all bytes received since the link was opened.
pub fn speaks(framing: Framing, received: &[u8]) -> Option<Speaks> {
    if received.starts_with(b"HTTP/") {
        return Some(Speaks::WebServer);
    }
    if is_ascii_frame(received) {
        return Some(Speaks::ModbusAscii);
    }
    let printable = |byte: &&u8| byte.is_ascii_graphic() || b" \t\r\n".contains(byte);
    let printables = received.iter().filter(printable).count();
    let has_lines = received.contains(&b'\n') || received.contains(&b'\r');
    if received.len() >= 8 && printables == received.len() && has_lines {
        return Some(Speaks::Text);
    }
    match framing {
        Framing::Tcp if starts_with_rtu(received) => Some(Speaks::Rtu),
        Framing::Rtu if starts_with_tcp(received) => Some(Speaks::Tcp),
        _ => None,
    }
}

/// A colon, hexadecimal digits in pairs, carriage return and line feed.
fn is_ascii_frame(bytes: &[u8]) -> bool {
    let Some(frame) = bytes.strip_prefix(b":") else {
        return false;
    };
    let digits = frame
        .iter()
        .take_while(|byte| byte.is_ascii_hexdigit())
        .count();
    digits >= 6
        && digits % 2 == 0
        && frame
            .get(digits..)
            .is_some_and(|rest| rest.starts_with(b"\r\n"))
}

/// A whole answer frame with a right check.
fn starts_with_rtu(bytes: &[u8]) -> bool {
    let length = match bytes {
        [_, function, ..] if *function >= 0x80 => 5,
        [_, 1..=4, count, ..] => usize::from(*count) + 5,
        [_, 8, ..] => 8,
        _ => return false,
    };
    bytes.get(..length).is_some_and(|frame| check(frame) == 0)
}

/// CRC of an RTU frame; 0 over a frame that ends with its own.
fn check(frame: &[u8]) -> u16 {
    static CRC: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_MODBUS);
    CRC.checksum(frame)
}

/// Headers that must agree before this is Modbus TCP: one looks like an RTU read of register 0.
const HEADERS: usize = 3;

/// Several Modbus TCP frames one after the other, whose lengths lead from one to the next and whose
/// numbers count: each is that of the frame before, or the next one.
fn starts_with_tcp(bytes: &[u8]) -> bool {
    let (mut rest, mut before, mut headers) = (bytes, None, 0);
    while let [a, b, 0, 0, high, low, body @ ..] = rest {
        let number = u16::from_be_bytes([*a, *b]);
        let length = usize::from(u16::from_be_bytes([*high, *low]));
        let counts = before.is_none_or(|before| number.wrapping_sub(before) <= 1);
        let Some(next) = body
            .get(length..)
            .filter(|_| (3..=254).contains(&length) && counts)
        else {
            return false;
        };
        (rest, before, headers) = (next, Some(number), headers + 1);
        if headers == HEADERS {
            return true;
        }
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind: invented
    #[test]
    fn speaker_is_named_by_its_bytes() {
        let named = |framing, bytes: &[u8], expected| {
            assert_eq!(speaks(framing, bytes), expected, "{bytes:02x?}")
        };
        named(
            Framing::Tcp,
            b"HTTP/1.1 400 Bad Request\r\n\r\n",
            Some(Speaks::WebServer),
        );
        named(Framing::Tcp, b"login: welcome\r\n", Some(Speaks::Text));
        named(
            Framing::Rtu,
            b":010400000001FA\r\n",
            Some(Speaks::ModbusAscii),
        );
        let one = [0, 1, 0, 0, 0, 5, 1, 4, 2, 0, 7];
        let next = [0, 2, 0, 0, 0, 5, 1, 4, 2, 0, 8];
        named(Framing::Rtu, &[one, one, next].concat(), Some(Speaks::Tcp));
        // One header is any RTU read of register 0, and what does not count is no conversation.
        named(Framing::Rtu, &one, None);
        named(Framing::Rtu, &[one, next, one].concat(), None);
        named(Framing::Tcp, &[0, 1, 0, 0, 0, 5, 1, 4, 2, 0, 7], None);
        named(Framing::Tcp, b"ok\r\n", None);
        named(Framing::Rtu, b"UUUUUUUUUUUU", None);
        named(Framing::Rtu, &[], None);
    }

    // Kind: published
    // Source: Modbus over Serial Line V1.02, appendix B: a frame followed by its CRC has CRC 0;
    //         CRC of 02 07 is 41 12 on the wire
    // Note: used here with an exception answer, whose CRC is computed by the same published rule
    #[test]
    fn rtu_exception_to_modbus_tcp_is_named() {
        let mut frame = vec![0x01, 0x84, 0x02];
        let crc = super::check(&frame);
        frame.extend(crc.to_le_bytes());
        assert_eq!(speaks(Framing::Tcp, &frame), Some(Speaks::Rtu));
        frame[2] = 0x03;
        assert_eq!(speaks(Framing::Tcp, &frame), None);
    }
}
