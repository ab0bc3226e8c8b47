//! Ctrl-C as the user's wish to stop.

use crate::link::Interrupt;

/// A flag that Ctrl-C raises. A second Ctrl-C ends the program at once with code 130. Where the system
/// gives no thread or no signals, Ctrl-C ends the program as usual.
pub(crate) fn on_ctrl_c() -> Interrupt {
    let interrupt = Interrupt::default();
    watch(interrupt.clone()).ok();
    interrupt
}

fn watch(interrupt: Interrupt) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_io()
        .build()?;
    std::thread::Builder::new()
        .name("ctrl-c".into())
        .spawn(move || {
            runtime.block_on(async {
                if tokio::signal::ctrl_c().await.is_ok() {
                    interrupt.raise();
                }
                if tokio::signal::ctrl_c().await.is_ok() {
                    std::process::exit(130);
                }
            });
        })?;
    Ok(())
}
