//! x
#[derive(Debug, Clone, clap::Args)]
pub struct LampArgs {}
pub fn run(_: &LampArgs, _: bool, _: bool) -> (String, String, u8) {
    (String::new(), String::new(), 2)
}
