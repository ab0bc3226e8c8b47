//! Opening real links on this computer: pseudo terminals and loopback, good and bad.

use std::net::TcpListener;
use std::thread;
use std::time::Duration;

use packside::event::What;
use packside::link::{Blame, Interrupt, LinkTrouble, OpenError, OpenOptions, Quiet, Target, open};
use packside::wire::Framing;

/// A runtime for the side of the test, which a pseudo terminal needs to be made.
pub(crate) fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
}

/// Opens a target without a word.
fn open_quietly(target: &Target, interrupt: &Interrupt) -> Result<Quiet, OpenError> {
    let options = OpenOptions {
        interrupt: interrupt.clone(),
        ..OpenOptions::default()
    };
    open(target, options, Box::new(|_| {}))
}

fn serial(port: &str) -> Target {
    Target::Serial {
        port: port.into(),
        line: "9600-8E1".parse().unwrap(),
    }
}

/// The error as printed, with its hint.
fn failure(target: &Target) -> (String, Blame) {
    let Err(error) = open_quietly(target, &Interrupt::default()) else {
        panic!("{target:?} opened")
    };
    let hint = error
        .hint()
        .map_or(String::new(), |hint| format!("\nhint: {hint}"));
    (format!("{error}{hint}"), error.blame())
}

// Kind: invented
#[test]
fn err_missing_port_says_what_is_there() {
    let (text, blame) = failure(&serial("/dev/ttyNOSUCH"));
    assert!(
        text.starts_with("cannot open /dev/ttyNOSUCH: there is no such port; th"),
        "{text}"
    );
    assert_eq!(blame, Blame::ThisComputer);
}

// Kind: invented
#[test]
fn err_file_folder_and_other_device_are_no_serial_ports() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let file = file.path().to_str().unwrap();
    for port in [file, "/tmp", "/dev/null"] {
        let (text, blame) = failure(&serial(port));
        let expected = format!(
            "cannot open {port}: it is not a serial port\n\
             hint: give the name of a serial port, for example /dev/ttyUSB0 or COM3"
        );
        assert_eq!((text, blame), (expected, Blame::Usage));
    }
}

// Kind: invented
#[test]
fn err_busy_port_is_not_taken_for_missing_or_forbidden() {
    let runtime = runtime();
    let _inside = runtime.enter();
    let (_master, slave) = tokio_serial::SerialStream::pair().unwrap();
    let port = tokio_serial::SerialPort::name(&slave).unwrap();
    let _first = open_quietly(&serial(&port), &Interrupt::default()).unwrap();
    let (text, _) = failure(&serial(&port));
    let expected = format!(
        "cannot open {port}: another program is using it\n\
         hint: close the other program that has this port open"
    );
    assert_eq!(text, expected);
}

// Kind: invented
#[test]
fn err_refused_connection_is_named() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    drop(listener);
    let (text, blame) = failure(&Target::gateway(&address, Framing::Tcp).unwrap());
    let expected = format!(
        "cannot reach {address}: the host refuses the connection, nothing listens on this TCP port\n\
         hint: check the TCP port in the gateway's settings (Modbus TCP usually has 502)"
    );
    assert_eq!((text, blame), (expected, Blame::Path));
}

// Kind: invented
// Note: a label of more than 63 letters is no name, so nobody is asked for it
#[test]
fn err_host_not_found_is_named() {
    let host = "x".repeat(300);
    let (text, blame) = failure(&Target::gateway(&host, Framing::Tcp).unwrap());
    assert!(
        text.starts_with(&format!("cannot reach {host}: the name was not found: ")),
        "{text}"
    );
    assert!(
        text.ends_with("\nhint: check the spelling, or give the address in numbers"),
        "{text}"
    );
    assert_eq!(blame, Blame::Path);
}

// Kind: invented
#[test]
fn gateway_text_is_split_into_host_and_port() {
    let check = |text: &str, host: &str, port| {
        let expected = Target::Gateway {
            host: host.into(),
            port,
            framing: Framing::Rtu,
        };
        assert_eq!(Target::gateway(text, Framing::Rtu), Ok(expected));
    };
    check("cabinet", "cabinet", 502);
    check("10.0.0.7:4001", "10.0.0.7", 4001);
    check("[::1]:4001", "::1", 4001);
    check("::1", "::1", 502);
    check("[::1]", "::1", 502);
}

// Kind: invented
#[test]
fn bytes_from_a_pty_stand_on_the_tape_with_rising_times() {
    let runtime = runtime();
    let _inside = runtime.enter();
    let (mut master, slave) = tokio_serial::SerialStream::pair().unwrap();
    let port = tokio_serial::SerialPort::name(&slave).unwrap();
    let mut quiet = open_quietly(&serial(&port), &Interrupt::default()).unwrap();
    assert_eq!(master.try_write(&[1, 4, 2]).unwrap(), 3);
    let until = quiet.now() + Duration::from_secs(5);
    while !quiet
        .tape()
        .iter()
        .any(|event| matches!(event.what, What::In(_)))
        && quiet.now() < until
    {
        quiet
            .listen(quiet.now() + Duration::from_millis(5))
            .unwrap();
    }
    let mut tape = quiet.drain();
    tape.retain(|event| !matches!(event.what, What::Clock(_)));
    assert!(
        matches!(tape[0].what, What::Opened(_)) && tape[1].what == What::Listening(true),
        "{tape:?}"
    );
    assert_eq!(tape[2].what, What::In(vec![1, 4, 2]));
    assert!(
        tape.windows(2).all(|pair| pair[0].at <= pair[1].at),
        "{tape:?}"
    );
}

// Kind: invented
#[test]
fn unplugged_adapter_is_noticed_and_said() {
    let runtime = runtime();
    let _inside = runtime.enter();
    let (master, slave) = tokio_serial::SerialStream::pair().unwrap();
    let port = tokio_serial::SerialPort::name(&slave).unwrap();
    let mut quiet = open_quietly(&serial(&port), &Interrupt::default()).unwrap();
    drop((master, slave));
    let trouble = quiet
        // It ends as soon as the loss is seen; a machine that does other things takes longer.
        .listen(quiet.now() + Duration::from_secs(20))
        .unwrap_err();
    assert!(matches!(trouble, LinkTrouble::Lost(_)), "{trouble:?}");
    let lost = What::Lost {
        why: "the serial adapter is gone".into(),
    };
    assert_eq!(
        quiet
            .tape()
            .iter()
            .filter(|event| event.what == lost)
            .count(),
        1
    );
}

// Kind: invented
#[test]
fn closed_connection_is_noticed_and_opened_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let server = thread::spawn(move || {
        drop(listener.accept().unwrap());
        listener.accept().unwrap()
    });
    let mut quiet = open_quietly(
        &Target::gateway(&address, Framing::Rtu).unwrap(),
        &Interrupt::default(),
    )
    .unwrap();
    let until = quiet.now() + Duration::from_secs(5);
    while !quiet.tape().iter().any(|event| event.what == What::Back) && quiet.now() < until {
        quiet
            .listen(quiet.now() + Duration::from_millis(5))
            .unwrap();
    }
    let lost = What::Lost {
        why: "the connection was closed by the other side".into(),
    };
    let kinds: Vec<What> = quiet
        .drain()
        .into_iter()
        .map(|event| event.what)
        .filter(|what| !matches!(what, What::Clock(_)))
        .skip(2)
        .collect();
    assert_eq!(kinds, [lost, What::Back]);
    server.join().unwrap();
}

// Kind: derived
// Note: DESIGN: a wait ends within 100 ms when the user stops; the raising thread is given 1 s more
#[test]
fn wait_ends_soon_when_the_user_stops() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let interrupt = Interrupt::default();
    let mut quiet = open_quietly(
        &Target::gateway(&address, Framing::Rtu).unwrap(),
        &interrupt,
    )
    .unwrap();
    let raiser = thread::spawn(move || interrupt.raise());
    assert_eq!(
        quiet.listen(quiet.now() + Duration::from_secs(60)),
        Err(LinkTrouble::Interrupted)
    );
    assert!(
        quiet.now() < Duration::from_millis(1100),
        "{:?}",
        quiet.now()
    );
    raiser.join().unwrap();
}

// Kind: invented
#[test]
fn err_gateway_text_that_cannot_be_one() {
    for text in ["", "http://cabinet", "a b", ":502"] {
        let refused = Target::gateway(text, Framing::Tcp).expect_err(text);
        assert!(refused.starts_with("expected "), "{text}: {refused}");
    }
    for text in ["cabinet:0", "cabinet:99999", "cabinet:abc", "[::1]:x"] {
        let refused = Target::gateway(text, Framing::Tcp).expect_err(text);
        assert!(refused.contains("from 1 to 65535"), "{text}: {refused}");
    }
}
