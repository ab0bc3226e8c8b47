//! Reads a film as YUV4MPEG2: a heading line, then frames of raw planes.
//!
//! In: any bytes. Out: one [`FilmFrame`] after the other, in the same memory. Does not: read other kinds of films,
//! or more than eight bits a sample.
//!
//! # Invariants
//! - Memory is bounded by one frame of [`MOST_PIXELS`]; what a heading claims is checked before it is believed.
//!
//! # Sources
//! - The format as its manual page describes it (from memory): `YUV4MPEG2 W640 H480 F30:1 C420jpeg`, `FRAME`.

use std::io::{BufRead, ErrorKind, Read as _};

use packside_profiles::Foreign;

/// Longest heading line.
const LONGEST_LINE: usize = 1024;
/// Least and most columns or rows.
const SIDES: std::ops::RangeInclusive<usize> = 16..=8192;
/// Most pixels: a film of 4096 x 2304.
const MOST_PIXELS: usize = 4096 * 2304;
/// Frames a second.
const RATES: std::ops::RangeInclusive<f64> = 5.0..=1000.0;

/// Why a film cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum FilmProblem {
    /// No heading.
    #[error("expected a film that begins with YUV4MPEG2")]
    NoHeading,
    /// A part of the heading makes no sense.
    #[error("heading, {part}: expected {expected}, found \"{}\"", found.clean())]
    Heading {
        /// Which part.
        part: &'static str,
        /// What it should be.
        expected: &'static str,
        /// What stands there.
        found: Foreign,
    },
    /// A frame does not begin as one.
    #[error("frame {frame}: expected FRAME, found \"{}\"", found.clean())]
    NoFrame {
        /// Its number, from 1.
        frame: usize,
        /// What stands there.
        found: Foreign,
    },
    /// It ends within a frame.
    #[error("frame {frame}: expected {expected} bytes, found {found}: the film is cut off")]
    CutOff {
        /// Its number, from 1.
        frame: usize,
        /// Bytes of a frame.
        expected: usize,
        /// Bytes there are.
        found: usize,
    },
    /// Too little to judge.
    #[error("expected a film of at least {needed} frames, found {found}")]
    TooShort {
        /// Frames needed.
        needed: usize,
        /// Frames found.
        found: usize,
    },
    /// The file or pipe failed.
    #[error("cannot be read: {0}")]
    Input(#[from] std::io::Error),
}

/// Where a film has its planes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FilmShape {
    /// Columns of pixels.
    pub width: usize,
    /// Rows of pixels.
    pub height: usize,
    /// Time of one frame, ms.
    pub frame_ms: f64,
    /// Columns and rows of pixels for one sample of colour; nothing if it has none.
    pub(super) colour: Option<(usize, usize)>,
}

impl FilmShape {
    fn luma(&self) -> usize {
        self.width * self.height
    }

    /// Columns and rows of a plane of colour.
    pub(super) fn colour_sides(&self) -> (usize, usize) {
        self.colour.map_or((0, 0), |(across, down)| {
            (self.width.div_ceil(across), self.height.div_ceil(down))
        })
    }

    fn colour_samples(&self) -> usize {
        let (columns, rows) = self.colour_sides();
        columns * rows
    }
}

/// One frame: brightness, and two planes of colour that may be empty.
pub(super) struct FilmFrame<'a> {
    pub(super) luma: &'a [u8],
    pub(super) blue: &'a [u8],
    pub(super) red: &'a [u8],
}

/// A film that is being read.
pub(super) struct FilmReader<R> {
    input: R,
    shape: FilmShape,
    /// Bytes of one frame, with alpha.
    bytes: Vec<u8>,
    frames: usize,
}

impl<R: BufRead> FilmReader<R> {
    pub(super) fn open(mut input: R) -> Result<Self, FilmProblem> {
        let line = line_of(&mut input)?.ok_or(FilmProblem::NoHeading)?;
        let mut words = line.split(' ').filter(|word| !word.is_empty());
        if words.next() != Some("YUV4MPEG2") {
            return Err(FilmProblem::NoHeading);
        }
        let (mut width, mut height, mut rate, mut space) = (None, None, None, "420jpeg");
        for word in words {
            match word.split_at_checked(1) {
                Some(("W", value)) => width = Some(side("W", value)?),
                Some(("H", value)) => height = Some(side("H", value)?),
                Some(("F", value)) => rate = Some(rate_of(value)?),
                Some(("C", value)) => space = value,
                _ => {}
            }
        }
        let missing = |part, expected| heading(part, expected, "");
        let width = width.ok_or_else(|| missing("W", "the columns of pixels"))?;
        let height = height.ok_or_else(|| missing("H", "the rows of pixels"))?;
        let rate = rate.ok_or_else(|| missing("F", "the frames a second"))?;
        if width * height > MOST_PIXELS {
            let found = format!("{width} x {height}");
            return Err(heading("W H", "at most 4096 x 2304 pixels", &found));
        }
        let (colour, alpha) = planes(space)?;
        let shape = FilmShape {
            width,
            height,
            frame_ms: 1000.0 / rate,
            colour,
        };
        let alpha = if alpha { shape.luma() } else { 0 };
        let length = shape.luma() + 2 * shape.colour_samples() + alpha;
        Ok(Self {
            input,
            shape,
            bytes: vec![0; length],
            frames: 0,
        })
    }

    pub(super) fn shape(&self) -> FilmShape {
        self.shape
    }

    /// The next frame; nothing at the end.
    pub(super) fn next(&mut self) -> Result<Option<FilmFrame<'_>>, FilmProblem> {
        let frame = self.frames + 1;
        let Some(line) = line_of(&mut self.input)? else {
            return Ok(None);
        };
        if line.split(' ').next() != Some("FRAME") {
            let found = line.chars().take(20).collect::<String>().into();
            return Err(FilmProblem::NoFrame { frame, found });
        }
        let expected = self.bytes.len();
        let mut found = 0;
        while let Some(rest) = self.bytes.get_mut(found..).filter(|rest| !rest.is_empty()) {
            match self.input.read(rest) {
                Ok(0) => {
                    return Err(FilmProblem::CutOff {
                        frame,
                        expected,
                        found,
                    });
                }
                Ok(count) => found += count,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(error.into()),
            }
        }
        self.frames = frame;
        let (luma, rest) = self
            .bytes
            .split_at_checked(self.shape.luma())
            .unwrap_or_default();
        let count = self.shape.colour_samples();
        let (blue, rest) = rest.split_at_checked(count).unwrap_or_default();
        let red = rest.get(..count).unwrap_or_default();
        Ok(Some(FilmFrame { luma, blue, red }))
    }
}

fn heading(part: &'static str, expected: &'static str, found: &str) -> FilmProblem {
    FilmProblem::Heading {
        part,
        expected,
        found: found.chars().take(30).collect::<String>().into(),
    }
}

/// A line without its end; nothing at the end of the film.
fn line_of(input: &mut impl BufRead) -> Result<Option<String>, FilmProblem> {
    let mut bytes = Vec::new();
    let most = u64::try_from(LONGEST_LINE).unwrap_or(u64::MAX);
    input.take(most).read_until(b'\n', &mut bytes)?;
    if bytes.is_empty() {
        return Ok(None);
    }
    if bytes.last() == Some(&b'\n') {
        bytes.pop();
    }
    Ok(Some(String::from_utf8_lossy(&bytes).into_owned()))
}

fn side(part: &'static str, value: &str) -> Result<usize, FilmProblem> {
    let side = value.parse().ok().filter(|side| SIDES.contains(side));
    side.ok_or_else(|| heading(part, "16 to 8192 pixels", value))
}

fn rate_of(value: &str) -> Result<f64, FilmProblem> {
    let rate = value.split_once(':').and_then(|(frames, seconds)| {
        let (frames, seconds) = (frames.parse::<u32>().ok()?, seconds.parse::<u32>().ok()?);
        Some(f64::from(frames) / f64::from(seconds)).filter(|rate| RATES.contains(rate))
    });
    rate.ok_or_else(|| heading("F", "5 to 1000 frames a second, as 30:1", value))
}

/// Pixels for one sample of colour across and down.
type ColourStep = Option<(usize, usize)>;

/// Pixels for one sample of colour, and whether a plane of alpha comes last.
fn planes(space: &str) -> Result<(ColourStep, bool), FilmProblem> {
    Ok(match space {
        "420" | "420jpeg" | "420mpeg2" | "420paldv" => (Some((2, 2)), false),
        "422" => (Some((2, 1)), false),
        "444" => (Some((1, 1)), false),
        "444alpha" => (Some((1, 1)), true),
        "411" => (Some((4, 1)), false),
        "mono" => (None, false),
        other => {
            let expected = "420, 422, 444, 411 or mono with 8 bits a sample";
            return Err(heading("C", expected, other));
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(bytes: &[u8]) -> String {
        let read = FilmReader::open(bytes).and_then(|mut reader| {
            while reader.next()?.is_some() {}
            Ok(())
        });
        read.map_or_else(|problem| problem.to_string(), |()| "read".to_owned())
    }

    // Kind: from memory (the format's manual page)
    #[test]
    fn film_of_each_kind_of_planes_is_read() {
        for (space, bytes) in [
            ("", 384),
            (" C420mpeg2 XYSCSS=420MPEG2", 384),
            (" C422", 512),
            (" C444", 768),
            (" C444alpha", 1024),
            (" C411", 384),
            (" Cmono", 256),
        ] {
            let mut film =
                format!("YUV4MPEG2 W16 H16 F30000:1001 Ip A1:1{space}\nFRAME\n").into_bytes();
            film.extend(vec![7; bytes]);
            film.extend(b"FRAME Ip\n");
            film.extend(vec![9; bytes]);
            assert_eq!(problem(&film), "read", "{space}");
        }
    }

    #[test]
    fn err_film_says_where_what_was_expected_and_what_was_found() {
        for (film, expected) in [
            (&b""[..], "expected a film that begins with YUV4MPEG2"),
            (b"RIFF....", "expected a film that begins with YUV4MPEG2"),
            (
                b"YUV4MPEG2 W0 H16 F30:1\n",
                "heading, W: expected 16 to 8192 pixels, found \"0\"",
            ),
            (
                b"YUV4MPEG2 W16 H99999999999999999999 F30:1\n",
                "heading, H: expected 16 to 8192 pixels, found \"99999999999999999999\"",
            ),
            (
                b"YUV4MPEG2 W8192 H8192 F30:1\n",
                "heading, W H: expected at most 4096 x 2304 pixels, found \"8192 x 8192\"",
            ),
            (
                b"YUV4MPEG2 W16 H16 F0:0\n",
                "heading, F: expected 5 to 1000 frames a second, as 30:1, found \"0:0\"",
            ),
            (
                b"YUV4MPEG2 H16 F30:1\n",
                "heading, W: expected the columns of pixels, found \"\"",
            ),
            (
                b"YUV4MPEG2 W16 H16 F30:1 C420p10\n",
                "heading, C: expected 420, 422, 444, 411 or mono with 8 bits a sample, found \"420p10\"",
            ),
            (
                b"YUV4MPEG2 W16 H16 F30:1\nFRAMES\n",
                "frame 1: expected FRAME, found \"FRAMES\"",
            ),
            (
                b"YUV4MPEG2 W16 H16 F30:1\nFRAME\nabc",
                "frame 1: expected 384 bytes, found 3: the film is cut off",
            ),
        ] {
            assert_eq!(problem(film), expected);
        }
    }
}
