//! Hex digit pairs: the text under every record form.

/// The value of each hex digit, `0xff` for every other byte.
const DIGITS: [u8; 256] = {
    let mut table = [0xff; 256];
    let mut n = 0;
    while n < 16 {
        let upper = b"0123456789ABCDEF"[n];
        table[upper as usize] = n as u8;
        table[upper.to_ascii_lowercase() as usize] = n as u8;
        n += 1;
    }
    table
};

/// The two upper-case digits of each byte.
const PAIRS: [[u8; 2]; 256] = {
    let digits = b"0123456789ABCDEF";
    let mut table = [[0; 2]; 256];
    let mut n = 0;
    while n < 256 {
        table[n] = [digits[n >> 4], digits[n & 15]];
        n += 1;
    }
    table
};

/// Whether a byte is a hex digit.
pub(super) fn is_digit(byte: u8) -> bool {
    DIGITS[byte as usize] != 0xff
}

/// Decodes digit pairs into `out` and returns the bytes; the error says what is wrong with the text.
pub(super) fn decode<'a>(text: &[u8], out: &'a mut [u8]) -> Result<&'a [u8], String> {
    let (pairs, odd) = text.as_chunks::<2>();
    let Some(out) = out.get_mut(..pairs.len()) else {
        return Err(format!(
            "{} hex digits are more than a record can have",
            text.len()
        ));
    };
    let mut bad = 0;
    for (to, [high, low]) in out.iter_mut().zip(pairs) {
        let (high, low) = (DIGITS[*high as usize], DIGITS[*low as usize]);
        bad |= high | low;
        *to = high << 4 | low;
    }
    if bad > 0x0f || !odd.iter().all(|b| is_digit(*b)) {
        let at = text.iter().position(|b| !is_digit(*b)).unwrap_or(0);
        return Err(format!("'{}' is no hex digit", text[at].escape_ascii()));
    }
    if !odd.is_empty() {
        return Err(format!("{} hex digits make no whole bytes", text.len()));
    }
    Ok(out)
}

/// Appends the digits of a byte, upper case.
pub(super) fn push(text: &mut Vec<u8>, byte: u8) {
    text.extend_from_slice(&PAIRS[byte as usize]);
}

/// Appends the digits of bytes, upper case.
pub(super) fn push_all(text: &mut Vec<u8>, bytes: &[u8]) {
    let at = text.len();
    text.resize(at + 2 * bytes.len(), 0);
    for (to, byte) in text[at..].as_chunks_mut::<2>().0.iter_mut().zip(bytes) {
        *to = PAIRS[*byte as usize];
    }
}

/// The 8-bit sum of bytes.
pub(super) fn sum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, b| sum.wrapping_add(*b))
}
