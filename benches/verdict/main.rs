//! How often the verdict is right: scenarios and composed pairs over seeds and links, in virtual
//! time. Run: `cargo bench --bench verdict -- [FROM TO]` (numbers of cases; 0 3000 unless given).

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    reason = "figures are printed, and may fail loudly"
)]

mod run;

use packside_simulator::compose::Stretch;

fn main() {
    let numbers: Vec<usize> = std::env::args()
        .filter_map(|text| text.parse().ok())
        .collect();
    let (from, to) = match numbers.as_slice() {
        [from, to, ..] => (*from, *to),
        _ => (0, 3000),
    };
    let cases = run::cases(from, to, Stretch::default());
    println!("cases {from} to {to}, undisturbed figures");
    println!("{}", run::run_all(&cases).text());
}
