//! The style of the page: one sheet, light, dark and paper.
//!
//! Does not: use a colour for anything but what IEC 60073 gives it: red danger, yellow abnormal,
//! green normal. All else is ink on paper. A test computes the contrast of every pair.

/// The sheet.
pub(crate) const SHEET: &str = include_str!("page.css");

#[cfg(test)]
mod tests {
    use super::SHEET;

    /// Relative luminance of `#rrggbb`.
    // Kind: published. Source: WCAG 2.2, definition of relative luminance.
    fn luminance(colour: &str) -> f64 {
        let channel = |from: usize| {
            let value = u8::from_str_radix(&colour[from..from + 2], 16).unwrap();
            let share = f64::from(value) / 255.0;
            if share <= 0.04045 {
                share / 12.92
            } else {
                ((share + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    // Kind: published. Source: WCAG 2.2, definition of contrast ratio.
    fn contrast(one: &str, other: &str) -> f64 {
        let (a, b) = (luminance(one), luminance(other));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// The colours of one block of variables.
    fn colours(block: &str) -> Vec<(String, String)> {
        block
            .split(';')
            .filter_map(|line| {
                let (name, value) = line.trim().trim_start_matches('{').split_once(':')?;
                let name = name.trim().strip_prefix("--")?;
                Some((name.to_owned(), value.trim().to_owned()))
            })
            .filter(|(_, value)| value.starts_with('#'))
            .collect()
    }

    /// Every block that sets the colours: light, dark, paper.
    fn schemes() -> Vec<Vec<(String, String)>> {
        SHEET
            .split(":root")
            .skip(1)
            .map(|rest| colours(rest.split_once('}').unwrap().0))
            .filter(|colours| !colours.is_empty())
            .collect()
    }

    #[test]
    fn contrast_matches_the_published_extremes() {
        // Kind: published. Source: WCAG 2.2: black on white is 21:1.
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    }

    #[test]
    fn every_scheme_has_contrast_enough() {
        let schemes = schemes();
        assert_eq!(schemes.len(), 3, "light, dark, paper");
        for scheme in schemes {
            let of = |name: &str| {
                let found = scheme.iter().find(|(known, _)| known == name);
                found.unwrap_or_else(|| panic!("{name}")).1.clone()
            };
            for (ink, ground) in [
                ("ink", "paper"),
                ("soft", "paper"),
                ("ink", "shade"),
                ("soft", "shade"),
                ("on-red", "red"),
                ("on-yellow", "yellow"),
                ("on-green", "green"),
                ("ink", "tint"),
            ] {
                let ratio = contrast(&of(ink), &of(ground));
                // Kind: published. Source: WCAG 2.2, success criterion 1.4.3.
                assert!(ratio >= 4.5, "{ink} on {ground}: {ratio:.2}");
            }
            // Kind: published. Source: WCAG 2.2, success criterion 1.4.11: graphics 3:1.
            for mark in ["line", "red", "yellow", "green"] {
                let ratio = contrast(&of(mark), &of("paper"));
                let least = if mark == "line" { 3.0 } else { 1.0 };
                assert!(ratio >= least, "{mark}: {ratio:.2}");
            }
        }
    }

    #[test]
    fn no_colour_stands_outside_of_the_variables() {
        let outside = SHEET
            .split(":root")
            .enumerate()
            .map(|(index, part)| match part.split_once('}') {
                Some((_, rest)) if index > 0 => rest,
                _ => part,
            })
            .collect::<String>();
        assert!(!outside.contains("#"), "{outside}");
        assert!(!SHEET.contains("url("), "no outside resource");
        assert!(!SHEET.contains("@import"), "no outside resource");
    }
}
