//! Writes markup. The one place where text becomes HTML or SVG, and the one function that escapes it.
//!
//! Does not: know what is written. Names of elements and attributes are literals of this program;
//! everything else passes [`escape`], whatever it is.

/// Markup under construction.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Html(String);

/// Attributes of an element.
pub(crate) type Attributes<'a> = &'a [(&'static str, &'a str)];

impl Html {
    /// Nothing yet.
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// Opens an element.
    pub(crate) fn open(&mut self, tag: &'static str, attributes: Attributes) -> &mut Self {
        self.0.push('<');
        self.0.push_str(tag);
        for (name, value) in attributes {
            self.0.push(' ');
            self.0.push_str(name);
            self.0.push_str("=\"");
            escape(value, &mut self.0);
            self.0.push('"');
        }
        self.0.push('>');
        self
    }

    /// Closes an element.
    pub(crate) fn close(&mut self, tag: &'static str) -> &mut Self {
        self.0.push_str("</");
        self.0.push_str(tag);
        self.0.push_str(">\n");
        self
    }

    /// Text.
    pub(crate) fn text(&mut self, text: &str) -> &mut Self {
        escape(text, &mut self.0);
        self
    }

    /// A whole element that holds text.
    pub(crate) fn put(
        &mut self,
        tag: &'static str,
        attributes: Attributes,
        text: &str,
    ) -> &mut Self {
        self.open(tag, attributes).text(text).close(tag)
    }

    /// A whole element that holds others.
    pub(crate) fn around(
        &mut self,
        tag: &'static str,
        attributes: Attributes,
        inner: impl FnOnce(&mut Self),
    ) -> &mut Self {
        self.open(tag, attributes);
        inner(self);
        self.close(tag)
    }

    /// Markup that was built before.
    pub(crate) fn add(&mut self, other: &Self) -> &mut Self {
        self.0.push_str(&other.0);
        self
    }

    /// Text of this program that must not be escaped: the style sheet, the document type.
    pub(crate) fn literal(&mut self, text: &'static str) -> &mut Self {
        self.0.push_str(text);
        self
    }

    /// The head of a table.
    pub(crate) fn head(&mut self, columns: &[&str]) -> &mut Self {
        self.around("thead", &[], |head| {
            head.around("tr", &[], |row| {
                for column in columns {
                    row.put("th", &[("scope", "col")], column);
                }
            });
        })
    }

    /// The markup.
    pub(crate) fn into_string(self) -> String {
        self.0
    }
}

/// Adds text so that nothing in it can be taken for markup, inside and outside of attributes.
/// Characters that no document may hold are replaced.
pub(crate) fn escape(text: &str, into: &mut String) {
    for character in text.chars() {
        match character {
            '&' => into.push_str("&amp;"),
            '<' => into.push_str("&lt;"),
            '>' => into.push_str("&gt;"),
            '"' => into.push_str("&quot;"),
            '\'' => into.push_str("&#39;"),
            '\n' | '\t' => into.push(character),
            // Control characters, and those that turn the direction of what follows.
            '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => into.push('\u{fffd}'),
            c if c.is_control() => into.push('\u{fffd}'),
            c => into.push(c),
        }
    }
}

/// A number with so many decimals and a true minus sign.
pub(crate) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let is_zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    match text.strip_prefix('-') {
        Some(digits) if is_zero => digits.to_owned(),
        Some(digits) => format!("\u{2212}{digits}"),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_attributes_cannot_leave_their_place() {
        let mut html = Html::new();
        html.put("p", &[("title", "\"'<>&")], "</p><script>\u{1b}\u{202e}");
        assert_eq!(
            html.into_string(),
            "<p title=\"&quot;&#39;&lt;&gt;&amp;\">&lt;/p&gt;&lt;script&gt;\u{fffd}\u{fffd}</p>\n"
        );
    }

    #[test]
    fn number_has_a_true_minus_and_no_negative_zero() {
        assert_eq!(number(-1.25, 1), "\u{2212}1.2");
        assert_eq!(number(-0.01, 1), "0.0");
        assert_eq!(number(3.268, 3), "3.268");
    }
}
