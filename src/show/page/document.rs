//! The page: what stands on it, in which order.
//!
//! Does not: write the parts (`sections`, `figures`), or decide anything.

use super::facts::PageFacts;
use super::html::Html;
use super::parts::Parts;
use super::series::Series;
use super::{Options, PageSource, beside, figures, found, sections, style};

/// The page about one visit.
pub fn page(source: &PageSource, options: Options) -> String {
    let parts = Parts {
        source,
        options,
        facts: PageFacts::of(source.recording, options),
        series: Series::of(source),
    };
    let title = format!(
        "Battery unit {}, {}",
        parts.serial(),
        super::words::local(&source.session.start, std::time::Duration::ZERO)
    );
    document(&title, |body| {
        body.around("header", &[], |header| sections::title(header, &parts));
        body.around("main", &[], |main| {
            sections::verdict(main, &parts);
            sections::next(main, &parts);
            sections::cautions(main);
            sections::not_tested(main, &parts);
            sections::visit(main, &parts);
            figures::add(main, &parts);
            found::findings(main, &parts);
            found::kept_by_unit(main, &parts);
            beside::answers(main, &parts);
            beside::photos(main, &parts);
            beside::recording(main, &parts);
        });
        body.around("footer", &[], |footer| {
            footer.text(&format!(
                "Made by packside {} from a recording. It only reads.",
                env!("CARGO_PKG_VERSION")
            ));
        });
    })
}

/// A whole document around a body.
pub(crate) fn document(title: &str, body: impl FnOnce(&mut Html)) -> String {
    let mut html = Html::new();
    html.literal("<!DOCTYPE html>\n");
    html.around("html", &[("lang", "en")], |html| {
        html.around("head", &[], |head| {
            head.literal("<meta charset=\"utf-8\">\n");
            head.literal(
                "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n",
            );
            // A page without outside resources may say so: even a mistake could not fetch any.
            head.literal("<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n");
            head.literal("<meta ").literal(super::MARK).literal(">\n");
            head.literal("<link rel=\"icon\" href=\"data:,\">\n");
            head.put("title", &[], title);
            head.literal("<style>\n")
                .literal(style::SHEET)
                .literal("</style>\n");
        });
        html.around("body", &[], body);
    });
    html.into_string()
}
