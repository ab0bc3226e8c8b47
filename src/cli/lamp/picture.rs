//! A still as PNG with the places marked by frames and their numbers.
//!
//! Written here and not by a package: a PNG whose bytes are stored, not squeezed, is three chunks and two sums,
//! and a still is written once.
//!
//! # Sources
//! - PNG (ISO/IEC 15948), zlib (RFC 1950), stored blocks (RFC 1951): from memory, read back by ffmpeg in the tests.

use std::io::Write as _;
use std::path::Path;

use crate::lamp::{FilmStill, Footage};

const MARK: [u8; 3] = [255, 0, 255];
/// Room between a place and its frame.
const ROOM: usize = 4;
/// Bytes of a stored block at most.
const BLOCK: usize = 65_535;
/// Five rows of three dots for each digit.
const DIGITS: [[u8; 5]; 10] = [
    [7, 5, 5, 5, 7],
    [2, 6, 2, 2, 7],
    [7, 1, 7, 4, 7],
    [7, 1, 7, 1, 7],
    [5, 5, 7, 1, 1],
    [7, 4, 7, 1, 7],
    [7, 4, 7, 5, 7],
    [7, 1, 2, 2, 2],
    [7, 5, 7, 5, 7],
    [7, 5, 7, 1, 7],
];

/// A place by left, top, right and bottom in pixels of the film, and its number.
pub(super) type MarkedPlace = ([usize; 4], usize);

/// Writes the still of a film with its places marked.
pub(super) fn write(path: &Path, footage: &Footage, places: &[MarkedPlace]) -> std::io::Result<()> {
    let mut still = footage.still.clone();
    let step = footage.shape.width.div_ceil(still.width.max(1)).max(1);
    for (frame, number) in places {
        mark(&mut still, frame.map(|pixel| pixel / step), *number);
    }
    let mut file = std::fs::File::create(path)?;
    file.write_all(&png(&still))?;
    file.sync_all()
}

fn mark(still: &mut FilmStill, [left, top, right, bottom]: [usize; 4], number: usize) {
    let (left, top) = (left.saturating_sub(ROOM), top.saturating_sub(ROOM));
    let (right, bottom) = (right + ROOM, bottom + ROOM);
    for thick in 0..2 {
        for column in left..=right {
            dot(still, column, top + thick);
            dot(still, column, bottom + thick);
        }
        for row in top..=bottom {
            dot(still, left + thick, row);
            dot(still, right + thick, row);
        }
    }
    let size = 3;
    for (digit, place) in number.to_string().bytes().zip(0..) {
        let rows = DIGITS
            .get(usize::from(digit.saturating_sub(b'0')))
            .copied()
            .unwrap_or_default();
        for (row, dots) in rows.into_iter().enumerate() {
            for column in (0..3).filter(|column| dots & (4 >> column) != 0) {
                for inside in 0..size * size {
                    let across = right + 6 + (4 * place + column) * size + inside % size;
                    dot(still, across, top + row * size + inside / size);
                }
            }
        }
    }
}

fn dot(still: &mut FilmStill, column: usize, row: usize) {
    if column >= still.width {
        return;
    }
    let at = 3 * (row * still.width + column);
    if let Some(pixel) = still.pixels.get_mut(at..at + 3) {
        pixel.copy_from_slice(&MARK);
    }
}

fn png(still: &FilmStill) -> Vec<u8> {
    let big = |number: usize| u32::try_from(number).unwrap_or(u32::MAX).to_be_bytes();
    let mut rows = Vec::with_capacity(still.pixels.len() + still.height);
    for row in still.pixels.chunks(3 * still.width.max(1)) {
        rows.push(0);
        rows.extend_from_slice(row);
    }
    let mut squeezed = vec![0x78, 0x01];
    let blocks = rows.chunks(BLOCK).count();
    for (at, block) in rows.chunks(BLOCK).enumerate() {
        let length = u16::try_from(block.len()).unwrap_or(u16::MAX);
        squeezed.push(u8::from(at + 1 == blocks));
        squeezed.extend(length.to_le_bytes());
        squeezed.extend((!length).to_le_bytes());
        squeezed.extend_from_slice(block);
    }
    squeezed.extend(adler(&rows).to_be_bytes());
    let mut heading = Vec::new();
    heading.extend(big(still.width));
    heading.extend(big(still.height));
    // Eight bits, red green blue, nothing else.
    heading.extend([8, 2, 0, 0, 0]);
    let mut file = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, body) in [
        (b"IHDR", heading),
        (b"IDAT", squeezed),
        (b"IEND", Vec::new()),
    ] {
        file.extend(big(body.len()));
        let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
        let mut sum = sum.digest();
        for part in [kind.as_slice(), &body] {
            sum.update(part);
            file.extend_from_slice(part);
        }
        file.extend(sum.finalize().to_be_bytes());
    }
    file
}

fn adler(bytes: &[u8]) -> u32 {
    let (mut one, mut two) = (1u32, 0u32);
    for byte in bytes {
        one = (one + u32::from(*byte)) % 65_521;
        two = (two + one) % 65_521;
    }
    (two << 16) | one
}
