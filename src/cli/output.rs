//! What every command shares in printing: colour, failures, and the closing lines.

use std::borrow::Cow;
use std::fmt::Arguments;
use std::io::{ErrorKind, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use crate::blame::Blame;
pub(crate) use crate::blame::{place, quoted};

/// Prints a line to standard output, as `println!` does, without its panic when nobody listens any more.
macro_rules! say {
    () => { $crate::cli::output::line(format_args!("")) };
    ($($text:tt)*) => { $crate::cli::output::line(format_args!($($text)*)) };
}
pub(crate) use say;

/// Prints a line to standard error, without `eprintln!`'s panic on a disk that is full.
macro_rules! complain {
    ($($text:tt)*) => { $crate::cli::output::error_line(format_args!($($text)*)) };
}
pub(crate) use complain;

/// Prints one line to standard error, as far as that can be done.
pub(crate) fn error_line(text: Arguments<'_>) {
    let text = text.to_string();
    let mut out = anstream::stderr().lock();
    let _ = out
        .write_all(shown(&text).as_bytes())
        .and_then(|()| out.write_all(b"\n"));
}

/// Prints one line to standard output.
pub(crate) fn line(text: Arguments<'_>) {
    if !listening() {
        return;
    }
    let text = text.to_string();
    let mut out = anstream::stdout().lock();
    let done = out
        .write_all(shown(&text).as_bytes())
        .and_then(|()| out.write_all(b"\n"));
    ended(done);
}

/// A text with every control character in it made visible, line ends apart. Names and texts come out of files, and
/// must not steer the terminal. `\u001b` is what JSON writes too, so that a JSON document stays what it is.
fn shown(text: &str) -> Cow<'_, str> {
    let steers = |c: char| c.is_control() && c != '\n' && c != '\t';
    // Every control character is one byte below space, DEL, or begins with C2.
    let suspect = |b: &u8| (*b < b' ' && *b != b'\n') || *b == 0x7f || *b == 0xc2;
    // In pieces, each without a way out, so that the compiler looks at many bytes at once.
    let any = |piece: &[u8]| piece.iter().fold(false, |found, b| found | suspect(b));
    if !text.as_bytes().chunks(256).any(any) || !text.contains(steers) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        match steers(c) {
            true => out.push_str(&format!("\\u{:04x}", u32::from(c))),
            false => out.push(c),
        }
    }
    Cow::Owned(out)
}

/// Prints a text to standard output as it is; it should end in a line end.
pub(crate) fn print_text(text: &str) {
    if !listening() {
        return;
    }
    // With the control characters gone there are no escapes, and no need to look for them again.
    let mut out = std::io::stdout().lock();
    ended(
        out.write_all(shown(text).as_bytes())
            .and_then(|()| out.flush()),
    );
}

/// Prints a text whose lines end in CR LF, as RFC 4180 has them; any other control character in it is made visible.
pub(crate) fn print_lines_crlf(text: &str) {
    if !listening() {
        return;
    }
    let lines: Vec<&str> = text.split("\r\n").collect();
    let mut out = std::io::stdout().lock();
    let done = lines.iter().enumerate().try_for_each(|(i, line)| {
        let end: &[u8] = if i + 1 < lines.len() { b"\r\n" } else { b"" };
        out.write_all(shown(line).as_bytes())?;
        out.write_all(end)
    });
    ended(done.and_then(|()| out.flush()));
}

/// Prints to standard output what `write` gives, a piece at a time; it should end in a line end.
pub(crate) fn print_pieces(write: impl FnOnce(&mut Pieces) -> std::fmt::Result) {
    let mut pieces = Pieces(String::with_capacity(PIECE + 1024));
    // Only memory is written to; what the terminal does not take ends the program in `print_text`.
    let _ = write(&mut pieces);
    print_text(&pieces.0);
}

/// A text on its way to standard output.
pub(crate) struct Pieces(String);

/// How much is put together before it is printed.
const PIECE: usize = 1 << 16;

impl std::fmt::Write for Pieces {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        self.0.push_str(text);
        if self.0.len() >= PIECE {
            print_text(&self.0);
            self.0.clear();
        }
        Ok(())
    }
}

/// Prints a text with the colours this program gave it. Whatever else would steer the terminal is made visible.
pub(crate) fn print_styled(text: &str) {
    if !listening() {
        return;
    }
    let mut out = anstream::stdout().lock();
    ended(
        out.write_all(styled(text).as_bytes())
            .and_then(|()| out.flush()),
    );
}

/// A text with plain styles left in it, such as `ESC[1m` and `ESC[91m`: bold and colours, nothing that hides.
fn styled(text: &str) -> String {
    let mut pieces = text.split("\x1b[");
    let mut out = shown(pieces.next().unwrap_or_default()).into_owned();
    for piece in pieces {
        let style = piece.split_once('m').filter(|(numbers, _)| {
            let plain = |n: &str| matches!(n.parse(), Ok(0 | 1 | 31..=37 | 91..=97));
            numbers.split(';').all(plain)
        });
        match style {
            Some((numbers, rest)) => {
                out.push_str(&format!("\x1b[{numbers}m{}", shown(rest)));
            }
            None => out.push_str(&format!("\\u001b[{}", shown(piece))),
        }
    }
    out
}

/// Prints a paragraph at most 100 columns wide, after a head and with the following lines indented below it.
pub(crate) fn paragraph(head: &str, text: &str) {
    let indent = head.chars().count();
    let mut row = head.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && row.chars().count() + 1 + word.chars().count() > 100 {
            line(format_args!("{row}"));
            row = " ".repeat(indent);
            empty = true;
        }
        if !empty {
            row.push(' ');
        }
        row.push_str(word);
        empty = false;
    }
    line(format_args!("{}", row.trim_end()));
}

/// Whether the reader of standard output has left, as `| head` does.
static LEFT: AtomicBool = AtomicBool::new(false);

/// Whether there is still somebody to print to.
fn listening() -> bool {
    !LEFT.load(Ordering::Relaxed)
}

/// Ends the program with the reason when output cannot be written. Where only its reader has left, the work goes on in
/// silence, and the exit status is that of the work.
fn ended(done: std::io::Result<()>) {
    match done {
        Ok(()) => {}
        Err(error) if error.kind() == ErrorKind::BrokenPipe => LEFT.store(true, Ordering::Relaxed),
        Err(error) => {
            complain!("cellkeep: disk: cannot write the output: {error}");
            std::process::exit(2);
        }
    }
}

/// When to use colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum ColorChoice {
    // No doc comments here: clap would spread them over the help of every command.
    Auto,
    Always,
    Never,
}

/// The terminal as commands see it.
pub(crate) struct Ui {}

impl Ui {
    /// Sets colour for the whole process.
    pub(crate) fn new(color: ColorChoice) -> Self {
        match color {
            ColorChoice::Auto => anstream::ColorChoice::Auto,
            ColorChoice::Always => anstream::ColorChoice::Always,
            ColorChoice::Never => anstream::ColorChoice::Never,
        }
        .write_global();
        Self {}
    }

    /// Prints why a command could not do its work: who must act, what happened, and a hint.
    pub(crate) fn failure(&self, error: &dyn Blame) {
        complain!("cellkeep: {}: {error}", error.who().word());
        if let Some(hint) = error.hint() {
            complain!("  try: {hint}");
        }
    }
}

/// A progress bar: on a terminal only, and only for work longer than half a second.
pub(crate) struct Bar {
    bar: indicatif::ProgressBar,
    begun: std::time::Instant,
    what: &'static str,
}

impl Bar {
    /// A bar that counts `what`.
    pub(crate) fn new(what: &'static str) -> Self {
        Self {
            bar: indicatif::ProgressBar::hidden(),
            begun: std::time::Instant::now(),
            what,
        }
    }

    /// So many more are done, of so many as a whole.
    pub(crate) fn add(&self, done: u64, whole: u64) {
        self.bar.set_length(whole);
        self.bar.inc(done);
        if self.bar.is_hidden() && self.begun.elapsed().as_millis() > 500 {
            // Standard error shows it on a terminal and hides it in a pipe, by itself.
            self.bar
                .set_draw_target(indicatif::ProgressDrawTarget::stderr());
            if let Ok(style) = indicatif::ProgressStyle::with_template(&format!(
                "{{bar:40}} {{pos}} of {{len}} {}, {{eta}} left",
                self.what
            )) {
                self.bar.set_style(style);
            }
        }
    }

    /// Takes the bar away.
    pub(crate) fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

/// The width to print tables to: what the environment variable `COLUMNS` says, or else 100 columns.
pub(crate) fn columns() -> usize {
    std::env::var("COLUMNS")
        .ok()
        .and_then(|c| c.parse().ok())
        .unwrap_or(100)
}

/// "0 bits", "1 bit", "3 bits".
pub(crate) fn number(n: impl TryInto<u64>, what: &str) -> String {
    // No count here is above what 64 bits hold.
    let n = n.try_into().unwrap_or(u64::MAX);
    match n {
        1 => format!("1 {what}"),
        n => format!("{n} {}", plural(what)),
    }
}

/// "bits", "losses", "entries".
fn plural(what: &str) -> String {
    match what.strip_suffix('y') {
        Some(stem) if !stem.ends_with(['a', 'e', 'o', 'u']) => format!("{stem}ies"),
        _ if what.ends_with('s') => format!("{what}es"),
        _ => format!("{what}s"),
    }
}

/// "0 bits are", "1 bit is", "3 bits are".
pub(crate) fn are(bits: impl TryInto<u64>) -> String {
    are_of(bits, "bit")
}

/// The same of anything: "1 loss is", "3 losses are".
pub(crate) fn are_of(n: impl TryInto<u64>, what: &str) -> String {
    let some = number(n, what);
    match some.starts_with("1 ") {
        true => format!("{some} is"),
        false => format!("{some} are"),
    }
}

/// "no errors", "1 error", "3 errors".
pub(crate) fn counted(n: usize, what: &str) -> String {
    match n {
        0 => format!("no {}", plural(what)),
        n => number(n, what),
    }
}

#[cfg(test)]
mod tests {
    use super::{are_of, counted, number, shown, styled};

    #[test]
    fn one_is_told_from_several() {
        assert_eq!(number(1u32, "entry"), "1 entry");
        assert_eq!(number(2u32, "entry"), "2 entries");
        assert_eq!(counted(0, "entry"), "no entries");
        assert_eq!(number(3u32, "key"), "3 keys");
        assert_eq!(are_of(1u32, "loss"), "1 loss is");
        assert_eq!(are_of(2u32, "loss"), "2 losses are");
    }

    #[test]
    fn styles_of_our_own_are_left_in_a_text() {
        let ours = "\x1b[1m\x1b[91merror\x1b[0m: no chip\n";
        assert_eq!(styled(ours), ours);
        // ECMA-48, 8.3.117: 8 conceals. 8.3.39: J erases the page.
        assert_eq!(
            styled("\x1b[8mhid\x1b[2J\x1b]0;t\x07"),
            "\\u001b[8mhid\\u001b[2J\\u001b]0;t\\u0007"
        );
    }

    #[test]
    fn what_would_steer_the_terminal_is_made_visible() {
        assert_eq!(shown("967 Hz\n\tµA"), "967 Hz\n\tµA");
        assert_eq!(
            shown("\x1b]0;title\x07 \u{9b}31m\r\x7f"),
            "\\u001b]0;title\\u0007 \\u009b31m\\u000d\\u007f"
        );
        // RFC 8259, section 7: the escape names the same character in JSON.
        let json: Result<String, _> = serde_json::from_str(&shown("\"a\u{9b}b\""));
        assert_eq!(json.ok().as_deref(), Some("a\u{9b}b"));
    }
}
