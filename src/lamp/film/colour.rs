//! The colour of a lamp from what it adds to the picture, and the first picture to show.
//!
//! # Sources
//! - Weights of brightness and colour: ITU-R BT.601 (from memory), as cameras and encoders commonly write it.

use super::y4m::{FilmFrame, FilmShape};

/// A picture in red, green and blue, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FilmStill {
    /// Pixels of a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Three bytes a pixel.
    pub pixels: Vec<u8>,
}

/// The wider side of a still, pixels.
const WIDEST: usize = 1280;
/// Least share of colour beside brightness by which a colour tells.
const LEAST_COLOUR: f32 = 0.25;

/// A colour that a lamp commonly has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LampColour {
    /// Red.
    Red,
    /// Amber, orange or yellow: a camera seldom tells them apart.
    Amber,
    /// Green.
    Green,
    /// Blue.
    Blue,
    /// White.
    White,
}

impl LampColour {
    /// Stable text, and the English word.
    #[must_use]
    pub fn id(self) -> &'static str {
        match self {
            Self::Red => "red",
            Self::Amber => "amber",
            Self::Green => "green",
            Self::Blue => "blue",
            Self::White => "white",
        }
    }

    /// Whether a register map that calls its lamp so may mean this colour.
    #[must_use]
    pub fn may_be(self, word: &str) -> bool {
        let word = word.to_lowercase();
        let names: &[&str] = match self {
            Self::Red => &["red"],
            Self::Amber => &["amber", "orange", "yellow"],
            Self::Green => &["green"],
            Self::Blue => &["blue"],
            Self::White => &["white"],
        };
        names.iter().any(|name| word.contains(name))
    }

    /// From the brightness, blue and red difference that it adds; nothing if it does not tell.
    pub(super) fn of([luma, blue, red]: [f32; 3]) -> Option<Self> {
        let [red, green, blue] = rgb(luma, blue, red);
        let most = red.max(green).max(blue);
        let least = red.min(green).min(blue).max(0.0);
        if most < 4.0 {
            return None;
        }
        let colour = (most - least) / most;
        if colour < 0.6 * LEAST_COLOUR {
            return Some(Self::White);
        }
        if colour < LEAST_COLOUR {
            return None;
        }
        Some(if blue >= most {
            Self::Blue
        } else if red >= most {
            if green - least > 0.4 * (red - least) {
                Self::Amber
            } else {
                Self::Red
            }
        } else if red - least > 0.75 * (green - least) {
            Self::Amber
        } else {
            Self::Green
        })
    }
}

fn rgb(luma: f32, blue: f32, red: f32) -> [f32; 3] {
    [
        luma + 1.402 * red,
        luma - 0.344 * blue - 0.714 * red,
        luma + 1.772 * blue,
    ]
}

/// The frame as a picture, every second or third pixel of a large one.
pub(super) fn picture(frame: &FilmFrame<'_>, shape: &FilmShape) -> FilmStill {
    let step = shape.width.max(shape.height).div_ceil(WIDEST).max(1);
    let (width, height) = (shape.width / step, shape.height / step);
    let (columns, _) = shape.colour_sides();
    let mut pixels = Vec::with_capacity(3 * width * height);
    for row in 0..height {
        for column in 0..width {
            let (x, y) = (column * step, row * step);
            let luma = frame.luma.get(y * shape.width + x).copied().unwrap_or(0);
            let pair = shape.colour.map(|(across, down)| {
                let at = (y / down) * columns + x / across;
                [frame.blue, frame.red].map(|plane| plane.get(at).copied().unwrap_or(128))
            });
            let [blue, red] = pair.unwrap_or([128; 2]).map(|part| f32::from(part) - 128.0);
            pixels.extend(rgb(f32::from(luma), blue, red).map(byte));
        }
    }
    FilmStill {
        width,
        height,
        pixels,
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped right here"
)]
fn byte(level: f32) -> u8 {
    level.clamp(0.0, 255.0) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    // Kind:   derived
    // Source: the weights of BT.601: 0.299 red, 0.587 green, 0.114 blue
    #[test]
    fn colour_is_what_the_lamp_adds() {
        let added = |red: f32, green: f32, blue: f32| {
            let luma = 0.299 * red + 0.587 * green + 0.114 * blue;
            [luma, (blue - luma) / 1.772, (red - luma) / 1.402]
        };
        for (rgb, colour) in [
            ((150.0, 10.0, 10.0), Some(LampColour::Red)),
            ((150.0, 100.0, 5.0), Some(LampColour::Amber)),
            ((20.0, 150.0, 30.0), Some(LampColour::Green)),
            ((20.0, 40.0, 150.0), Some(LampColour::Blue)),
            ((150.0, 148.0, 150.0), Some(LampColour::White)),
            ((1.0, 1.0, 1.0), None),
        ] {
            assert_eq!(
                LampColour::of(added(rgb.0, rgb.1, rgb.2)),
                colour,
                "{rgb:?}"
            );
        }
        assert!(LampColour::Amber.may_be("Yellow (dim)") && !LampColour::Red.may_be("green"));
    }
}
