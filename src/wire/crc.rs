//! The checksum of Modbus RTU frames.
//!
//! # Sources
//! - Modbus over Serial Line V1.02, 2.5.1.2 and appendix B: CRC-16, low byte sent first.

use crc::{CRC_16_MODBUS, Crc, Table};

static CRC: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_MODBUS);

/// CRC register after these bytes.
pub fn crc16(bytes: &[u8]) -> u16 {
    CRC.checksum(bytes)
}

/// The bytes with their CRC behind them.
pub fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    bytes.extend(crc16(&bytes).to_le_bytes());
    bytes
}

/// Whether the last two bytes are the CRC of those before.
pub fn is_sealed(frame: &[u8]) -> bool {
    frame
        .split_last_chunk::<2>()
        .is_some_and(|(body, crc)| crc16(body).to_le_bytes() == *crc)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   published
    // Source: CRC catalogue check value 4B37; Modbus over Serial Line V1.02, appendix B (02 07
    //         gives register 1241, sent as 41 12); V1.1b3 read examples sealed by independent
    //         CRC libraries
    #[test]
    fn crc16_matches_published_registers() {
        let cases: [(&[u8], u16); 8] = [
            (b"123456789", 0x4b37),
            (&[0x02, 0x07], 0x1241),
            (&[], 0xffff),
            (&[0x00], 0x40bf),
            (&[0x01], 0x807e),
            (&[0xff, 0xff], 0x0000),
            (&[0x01, 0x03, 0x00, 0x00, 0x00, 0x0a], 0xcdc5),
            (&[0x11, 0x03, 0x00, 0x6b, 0x00, 0x03], 0x8776),
        ];
        for (bytes, register) in cases {
            assert_eq!(crc16(bytes), register, "{bytes:02x?}");
            let frame = sealed(bytes.to_vec());
            assert!(is_sealed(&frame), "{bytes:02x?}");
            assert_eq!(crc16(&frame), 0, "residue of {bytes:02x?}");
        }
        assert_eq!(sealed(vec![0x02, 0x07]), [0x02, 0x07, 0x41, 0x12]);
    }

    /// The register after each of the 16 shifts, as the appendix prints them.
    // Kind:   published
    // Source: Modbus over Serial Line V1.02, appendix B, example "frame 02 07"
    #[test]
    fn bit_loop_matches_the_printed_steps_and_the_table() {
        let printed = [
            0xdfff, 0xcffe, 0x67ff, 0x93fe, 0x49ff, 0x84fe, 0x427f, 0x813e, 0xe09d, 0xd04f, 0xc826,
            0x6413, 0x9208, 0x4904, 0x2482, 0x1241,
        ];
        let mut register = 0xffff_u16;
        let mut steps = Vec::new();
        for byte in [0x02_u8, 0x07] {
            register ^= u16::from(byte);
            for _ in 0..8 {
                let carry = register & 1 == 1;
                register >>= 1;
                register ^= if carry { 0xa001 } else { 0 };
                steps.push(register);
            }
        }
        assert_eq!(steps, printed);
        assert_eq!(crc16(&[0x02, 0x07]), register);
    }

    #[test]
    fn damaged_frame_is_not_sealed() {
        let mut frame = sealed(vec![0x01, 0x03, 0x00, 0x6b]);
        frame[2] ^= 0x10;
        assert!(!is_sealed(&frame));
        assert!(!is_sealed(&[]));
        assert!(!is_sealed(&[0xff]));
    }
}
