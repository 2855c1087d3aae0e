//! Golden conversions of the hex forms: each text is what the named tools print, read and written here.
//!
//! The texts were printed by intelhex 2.3.0 and bincopy 20.1.1 (PyPI), srec_cat of srecord 1.64 and objcopy of
//! binutils 2.40 (Debian 12); every checksum follows the rules of Intel's *Hexadecimal Object File Format
//! Specification*, Revision A, 1988, and of srec_motorola(5).
#![allow(clippy::unwrap_used)]

use cellkeep::image::form::{AddressSize, Addressing, Start, Style, WriteForm, write};
use cellkeep::image::form::{ReadOptions, read};
use cellkeep::image::{Contents, Form, FormError, SparseBytes};

fn run(start: u32, bytes: &[u8]) -> SparseBytes {
    SparseBytes::from_run(start, bytes.to_vec())
}

/// 00 01 .. 0F.
fn a16(start: u32) -> SparseBytes {
    run(start, &(0..16).collect::<Vec<u8>>())
}

fn gap() -> SparseBytes {
    let mut bytes = run(0, &[0xde, 0xad, 0xbe, 0xef]);
    assert!(bytes.append(0x20, &[1, 2, 3, 4]));
    bytes
}

fn p40() -> SparseBytes {
    run(
        0,
        &(0..40u32).map(|i| (7 * i + 3) as u8).collect::<Vec<u8>>(),
    )
}

fn lines(text: &str) -> String {
    text.split(" / ").flat_map(|line| [line, "\n"]).collect()
}

fn parse(text: &str) -> Result<Contents, FormError> {
    read(text.as_bytes(), ReadOptions::default())
}

fn codes(contents: &Contents) -> Vec<&str> {
    contents.findings.iter().map(|f| f.code.as_str()).collect()
}

/// Reads each text and writes it again, and expects the bytes and the text.
fn both_ways(how: &WriteForm, cases: &[(&str, SparseBytes)]) {
    for (text, bytes) in cases {
        let text = lines(text);
        let contents = parse(&text).unwrap();
        assert_eq!(contents.form, how.form, "{text}");
        assert_eq!(&contents.bytes, bytes, "{text}");
        let written = String::from_utf8(write(bytes, 0, how).unwrap()).unwrap();
        assert_eq!(written, text);
    }
}

#[test]
fn intel_hex_both_ways() {
    let hello = run(0, b"Hello, RAM!");
    let cases = [
        // intelhex, bincopy, objcopy, srec_cat -address-length=2
        (
            ":10000000000102030405060708090A0B0C0D0E0F78 / :00000001FF",
            a16(0),
        ),
        // intelhex, bincopy, srec_cat
        (
            ":10100000000102030405060708090A0B0C0D0E0F68 / :00000001FF",
            a16(0x1000),
        ),
        (":0B00000048656C6C6F2C2052414D21B4 / :00000001FF", hello),
        (
            ":04000000DEADBEEFC4 / :0400200001020304D2 / :00000001FF",
            gap(),
        ),
        // objcopy, srec_cat -obs=16
        (
            ":10000000030A11181F262D343B424950575E656C78 / :10001000737A81888F969DA4ABB2B9C0C7CED5DC68 / :08002000E3EAF1F8FF060D14FC / :00000001FF",
            p40(),
        ),
        // intelhex
        (
            ":020000040000FA / :08FFF8000001020304050607E5 / :020000040001F9 / :0800000008090A0B0C0D0E0F9C / :00000001FF",
            a16(0xfff8),
        ),
        (
            ":020000040001F9 / :08FFF8000001020304050607E5 / :020000040002F8 / :0800000008090A0B0C0D0E0F9C / :00000001FF",
            a16(0x1fff8),
        ),
        // intelhex, bincopy
        (
            ":020000041234B4 / :02567800A55A31 / :00000001FF",
            run(0x1234_5678, &[0xa5, 0x5a]),
        ),
    ];
    let how = WriteForm {
        form: Form::IntelHex,
        ..WriteForm::default()
    };
    both_ways(&how, &cases);
    let segment = [
        // srec_cat -address-length=3, objcopy
        (
            ":020000021000EC / :08FFF8000001020304050607E5 / :020000022000DC / :0800000008090A0B0C0D0E0F9C / :00000001FF",
            a16(0x1fff8),
        ),
        // srec_cat -address-length=3
        (
            ":020000021000EC / :10234000000102030405060708090A0B0C0D0E0F15 / :00000001FF",
            a16(0x12340),
        ),
    ];
    both_ways(
        &WriteForm {
            addressing: Addressing::Segment,
            ..how.clone()
        },
        &segment,
    );
    // objcopy, with its start record
    let start = WriteForm {
        start: Some(Start::Linear(0x0123_4560)),
        ..how
    };
    let text = ":020000040123D6 / :10456000000102030405060708090A0B0C0D0E0FD3 / :04000005012345602E / :00000001FF";
    both_ways(&start, &[(text, a16(0x0123_4560))]);
}

#[test]
fn intel_hex_entry_addresses() {
    // intelhex
    for (record, start) in [
        (
            ":0400000312345678E5",
            Start::Segment {
                cs: 0x1234,
                ip: 0x5678,
            },
        ),
        (":0400000512345678E3", Start::Linear(0x1234_5678)),
    ] {
        let contents = parse(&lines(&format!("{record} / :0100000000FF / :00000001FF"))).unwrap();
        assert_eq!(contents.start, Some(start));
        assert_eq!(codes(&contents), ["file.start-address"]);
        let how = WriteForm {
            form: Form::IntelHex,
            start: Some(start),
            ..WriteForm::default()
        };
        let text = String::from_utf8(write(&run(0, &[0]), 0, &how).unwrap()).unwrap();
        assert!(text.contains(record));
    }
    // srec_cat -address-length=2 stores it in the end record.
    let contents = parse(":0100000000FF\n:00123401B9\n").unwrap();
    assert_eq!(contents.start, Some(Start::Linear(0x1234)));
}

#[test]
fn s_record_both_ways() {
    let s = WriteForm {
        form: Form::SRecord,
        ..WriteForm::default()
    };
    let cases = [
        // Data records: bincopy, objcopy, srec_cat; count: the sum rule by hand; end records: objcopy, srec_cat.
        (
            "S1130000000102030405060708090A0B0C0D0E0F74 / S5030001FB / S9030000FC",
            a16(0),
        ),
        (
            "S1131000000102030405060708090A0B0C0D0E0F64 / S5030001FB / S9030000FC",
            a16(0x1000),
        ),
        (
            "S21401FFF8000102030405060708090A0B0C0D0E0F7B / S5030001FB / S804000000FB",
            a16(0x1fff8),
        ),
        (
            "S214012340000102030405060708090A0B0C0D0E0F0F / S5030001FB / S804000000FB",
            a16(0x12340),
        ),
        (
            "S31501234560000102030405060708090A0B0C0D0E0FA9 / S5030001FB / S70500000000FA",
            a16(0x0123_4560),
        ),
        (
            "S1070000DEADBEEFC0 / S107002001020304CE / S5030002FA / S9030000FC",
            gap(),
        ),
        // The end lies beyond FFFF, so objcopy takes S2; bincopy and srec_cat print S1, whose address field cannot
        // name the last eight bytes.
        (
            "S21400FFF8000102030405060708090A0B0C0D0E0F7C / S5030001FB / S804000000FB",
            a16(0xfff8),
        ),
    ];
    both_ways(&s, &cases);
    let how = WriteForm {
        header: Some("HDR".to_owned()),
        ..s.clone()
    };
    // The example file of srec_motorola(5), with the end record it has.
    let text = "S00600004844521B / S110000048656C6C6F2C20576F726C640A9D / S5030001FB / S9030000FC";
    both_ways(&how, &[(text, run(0, b"Hello, World\n"))]);
    for (end, start) in [
        ("S9031000EC", 0x1000),
        ("S9031234B6", 0x1234),
        ("S80400FFF804", 0xfff8),
        ("S7050123456031", 0x0123_4560),
    ] {
        let size = match &end[..2] {
            "S9" => AddressSize::S1,
            "S8" => AddressSize::S2,
            _ => AddressSize::S3,
        };
        let how = WriteForm {
            start: Some(Start::Linear(start)),
            address_size: size,
            ..s.clone()
        };
        let text = String::from_utf8(write(&a16(0), 0, &how).unwrap()).unwrap();
        assert_eq!(text.lines().last(), Some(end));
        assert_eq!(parse(&text).unwrap().start, Some(Start::Linear(start)));
    }
}

/// A record seen in the wild, accepted by objcopy, srec_cat and bincopy.
#[test]
fn s_record_in_the_wild() {
    let contents = parse("S1137AF00A0A0D0000000000000000000000000061\n").unwrap();
    assert_eq!(
        (contents.bytes.first(), contents.bytes.count()),
        (Some(0x7af0), 16)
    );
    assert_eq!(codes(&contents), ["file.no-end"]);
}

#[test]
fn ti_txt_both_ways() {
    // bincopy's as_ti_txt and srec_cat -ti_txt print this for the gap image; checked again in tests/outside.
    let how = WriteForm {
        form: Form::TiTxt,
        ..WriteForm::default()
    };
    both_ways(
        &how,
        &[("@0000 / DE AD BE EF / @0020 / 01 02 03 04 / q", gap())],
    );
}

/// Intel's specification: in segment mode the address is `SBA + ((offset + index) mod 64K)`. srec_cat wraps so;
/// intelhex, bincopy and objcopy go on into the next segment, against the specification.
#[test]
fn a_record_wraps_in_its_segment() {
    let text = lines(":020000021000EC / :10FFF800000102030405060708090A0B0C0D0E0F81 / :00000001FF");
    let contents = parse(&text).unwrap();
    let mut want = run(0x10000, &[8, 9, 10, 11, 12, 13, 14, 15]);
    assert!(want.append(0x1fff8, &[0, 1, 2, 3, 4, 5, 6, 7]));
    assert_eq!(contents.bytes, want);
    assert!(codes(&contents).contains(&"file.segment-wrap"));
    // In linear mode it goes on; without any address record all four tools go on too.
    for head in [":020000040000FA / ", ""] {
        let text = lines(&format!(
            "{head}:10FFF800000102030405060708090A0B0C0D0E0F81 / :00000001FF"
        ));
        assert_eq!(parse(&text).unwrap().bytes, a16(0xfff8));
    }
    // ... and past the last address it begins at 0 again, modulo 4G.
    let text = lines(":02000004FFFFFC / :02FFFF000102FD / :00000001FF");
    let mut want = run(0, &[2]);
    assert!(want.append(0xffff_ffff, &[1]));
    assert_eq!(parse(&text).unwrap().bytes, want);
}

/// What the tools read alike: CR LF, blank lines, lower case; here also trailing blanks, which only bincopy takes.
#[test]
fn harmless_differences() {
    for text in [
        ":04000000DEADBEEFC4\r\n:00000001FF\r\n",
        "\n:04000000deadbeefc4\n\n:00000001ff\n\n",
        ":04000000DEADBEEFC4  \n:00000001FF\t\n",
        ":04000000DEADBEEFC4\r:00000001FF\r",
        "\u{feff}:04000000DEADBEEFC4\n:00000001FF\n\u{1a}\u{1a}",
    ] {
        let contents = parse(text).unwrap();
        assert_eq!(
            contents.bytes,
            run(0, &[0xde, 0xad, 0xbe, 0xef]),
            "{text:?}"
        );
        assert_eq!(codes(&contents), [""; 0], "{text:?}");
    }
    let wide: Vec<u8> = "\u{feff}:04000000DEADBEEFC4\r\n:00000001FF\r\n"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    assert_eq!(
        read(&wide, ReadOptions::default()).unwrap().bytes.count(),
        4
    );
}

#[test]
fn every_wrong_line_is_told_at_once() {
    let text = lines(
        ":04000000DEADBEEFC5 / :04002000010203D2 / :0400400001020304B2 / :00000006FA / hello / :0100G00000FF / :010000000 / :020000040000FA / :00000001FF",
    );
    let Err(FormError::WrongLines { form, lines: wrong }) = parse(&text) else {
        unreachable!("refused")
    };
    assert_eq!(form, Form::IntelHex);
    let told: Vec<_> = wrong.iter().map(|l| (l.line, l.says.as_str())).collect();
    assert_eq!(
        told,
        [
            (1, "the checksum is C5, and the record gives C4"),
            (2, "the length says 4 data bytes, and 3 are there"),
            (4, "record type 06 is not defined; types are 00 to 05"),
            (5, "a record begins with ':'"),
            (6, "'G' is no hex digit"),
            (7, "9 hex digits make no whole bytes"),
        ]
    );
    // With leave to skip them the rest is read, and each is a finding. Line 2's loss takes only its own bytes; line 4
    // could have been an address record, so what follows is in doubt until the next one.
    let options = ReadOptions {
        skip_wrong_lines: true,
        ..ReadOptions::default()
    };
    let contents = read(text.as_bytes(), options).unwrap();
    assert_eq!(contents.bytes, run(0x40, &[1, 2, 3, 4]));
    assert_eq!(codes(&contents), ["file.wrong-line"; 6]);
    let text = lines(
        "S1070000DEADBEEFC1 / S404000000FB / S107002001020304CD / S5030004F8 / S20500001020CA / S9030000FC",
    );
    let Err(FormError::WrongLines { lines: wrong, .. }) = parse(&text) else {
        unreachable!("refused")
    };
    let told: Vec<_> = wrong.iter().map(|l| (l.line, l.says.as_str())).collect();
    assert_eq!(
        told,
        [
            (1, "the checksum is C1, and the record gives C0"),
            (2, "record type S4 is reserved"),
            (3, "the checksum is CD, and the record gives CE"),
        ]
    );
}

#[test]
fn a_wrong_count_is_told() {
    let contents = parse(&lines("S1070000DEADBEEFC0 / S5030002FA / S9030000FC")).unwrap();
    assert_eq!(codes(&contents), ["file.count"]);
    // S6 counts in three bytes; the checksum by the sum rule, by hand: FF - (04 + 01) = FA.
    let contents = parse(&lines("S1070000DEADBEEFC0 / S604000001FA / S9030000FC")).unwrap();
    assert_eq!(codes(&contents), [""; 0]);
}

#[test]
fn order_overlaps_and_ends_are_told() {
    // Descending order: all four tools accept it.
    let contents = parse(&lines(
        ":0400200001020304D2 / :04000000DEADBEEFC4 / :00000001FF",
    ))
    .unwrap();
    assert_eq!(
        (&contents.bytes, codes(&contents)),
        (&gap(), vec!["file.order"])
    );
    // The same bytes twice: intelhex and bincopy refuse, srec_cat warns, objcopy is silent.
    let contents = parse(&lines(
        ":04000000DEADBEEFC4 / :02000200BEEF4F / :00000001FF",
    ))
    .unwrap();
    assert_eq!(codes(&contents), ["file.overlap"]);
    assert_eq!(contents.bytes.count(), 4);
    // Other bytes: nobody knows which, so they are unknown.
    let contents = parse(&lines(
        ":04000000DEADBEEFC4 / :02000200BEEE50 / :00000001FF",
    ))
    .unwrap();
    assert_eq!(codes(&contents), ["file.overlap", "file.overlap-differs"]);
    assert_eq!(contents.bytes, run(0, &[0xde, 0xad, 0xbe]));
    let contents = parse(":04000000DEADBEEFC4\n").unwrap();
    assert_eq!(codes(&contents), ["file.no-end"]);
    // Data after the end: bincopy reads it, the others stop.
    let contents = parse(&lines(
        ":04000000DEADBEEFC4 / :00000001FF / :0400200001020304D2",
    ))
    .unwrap();
    assert_eq!(
        (contents.bytes.count(), codes(&contents)),
        (4, vec!["file.after-end"])
    );
}

/// 56 bytes that name the first and nearly the last address: two bytes are kept, not four gigabytes.
#[test]
fn far_apart_costs_nothing() {
    let text = ":0100000041BE\n:02000004FFFFFC\n:01FFF00042CE\n:00000001FF\n";
    assert_eq!(text.len(), 56);
    let contents = parse(text).unwrap();
    assert_eq!(contents.bytes.count(), 2);
    assert_eq!(contents.bytes.get(0xffff_fff0), Some(0x42));
    let flat = write(&contents.bytes, 0, &WriteForm::default());
    assert!(
        matches!(
            flat,
            Err(FormError::TooLarge {
                bytes: 0xffff_fff1,
                ..
            })
        ),
        "{flat:?}"
    );
    // A listing can say the same in few characters.
    let text = "00000000  41 41 41 41 41 41 41 41  41 41 41 41 41 41 41 41  |AAAAAAAAAAAAAAAA|\n*\nfffffff0\n";
    assert!(matches!(parse(text), Err(FormError::TooLarge { .. })));
}

/// As printed by xxd 2022-01-14, hexdump of util-linux 2.38.1 and od of coreutils 9.1 for the same 35 bytes:
/// `printf 'Patch 12\0\0\0\0\0\0\0\0AB CD  |x|>y<41 42\377'`; checked again in tests/outside.
#[test]
fn listings_as_printed() {
    let bytes = run(0, b"Patch 12\0\0\0\0\0\0\0\0AB CD  |x|>y<41 42\xff");
    let xxd = "00000000: 5061 7463 6820 3132 0000 0000 0000 0000  Patch 12........\n00000010: 4142 2043 4420 207c 787c 3e79 3c34 3120  AB CD  |x|>y<41 \n00000020: 3432 ff                                  42.\n";
    let hexdump = "00000000  50 61 74 63 68 20 31 32  00 00 00 00 00 00 00 00  |Patch 12........|\n00000010  41 42 20 43 44 20 20 7c  78 7c 3e 79 3c 34 31 20  |AB CD  |x|>y<41 |\n00000020  34 32 ff                                          |42.|\n00000023\n";
    let od = "0000000 50 61 74 63 68 20 31 32 00 00 00 00 00 00 00 00\n0000020 41 42 20 43 44 20 20 7c 78 7c 3e 79 3c 34 31 20\n0000040 34 32 ff\n0000043\n";
    for (text, style) in [
        (xxd, Style::Xxd),
        (hexdump, Style::Hexdump),
        (od, Style::Od),
    ] {
        let contents = parse(text).unwrap();
        assert_eq!(
            (contents.form, &contents.bytes),
            (Form::Listing, &bytes),
            "{text}"
        );
        assert_eq!(codes(&contents), [""; 0]);
        let how = WriteForm {
            form: Form::Listing,
            style,
            ..WriteForm::default()
        };
        assert_eq!(
            String::from_utf8(write(&bytes, 0, &how).unwrap()).unwrap(),
            text
        );
    }
    // Repeated lines, as hexdump -C and od print them.
    let text = "00000000  00 00 00 00 00 00 00 00  00 00 00 00 00 00 00 00  |................|\n*\n00000040  01                                                |.|\n00000041\n";
    let mut want = vec![0; 64];
    want.push(1);
    assert_eq!(parse(text).unwrap().bytes, run(0, &want));
    let text = "0000000 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00 00\n*\n0000100\n";
    assert_eq!(parse(text).unwrap().bytes, run(0, &[0; 64]));
}

/// As printed by xxd 2022-01-14 for the same 35 bytes with `-e`, with `-e -g2`, and with `-g4`.
#[test]
fn a_listing_in_reverse_order_is_refused() {
    for text in [
        "00000000: 63746150 32312068 00000000 00000000  Patch 12........\n00000010: 43204241 7c202044 793e7c78 2031343c  AB CD  |x|>y<41 \n00000020:   ff3234                             42.\n",
        "00000000: 6150 6374 2068 3231 0000 0000 0000 0000  Patch 12........\n00000010: 4241 4320 2044 7c20 7c78 793e 343c 2031  AB CD  |x|>y<41 \n00000020: 3234   ff                                42.\n",
    ] {
        let says = parse(text).unwrap_err().to_string();
        assert!(says.contains("reverse order"), "{says}");
    }
    let text = "00000000: 50617463 68203132 00000000 00000000  Patch 12........\n";
    let bytes = run(0, b"Patch 12\0\0\0\0\0\0\0\0");
    assert_eq!(parse(text).unwrap().bytes, bytes);
}

#[test]
fn listings_of_other_layouts() {
    let eleven: Vec<u8> = (0..11).collect();
    for text in [
        "00 01 02 03\n04 05 06 07\n08 09 0A\n",
        "00010203\n04050607\n08090a\n",
        "0x00, 0x01, 0x02, 0x03,\n0x04, 0x05, 0x06, 0x07,\n0x08, 0x09, 0x0A\n",
        "0000: 00 01 02 03  04 05 06 07\n0008: 08 09 0A\n",
        "0000  00 01 02 03 04 05 06 07  08 09 0A\n",
        "0000  00 01 02 03 04 05 06 07  ........\n0008  08 09 0A                 ...\n",
        "0000000 0100 0302 0504 0706\n0000008\n",
    ] {
        let contents = parse(text).unwrap();
        assert_eq!(contents.form, Form::Listing, "{text}");
        let count = contents.bytes.count() as usize;
        assert_eq!(contents.bytes, run(0, &eleven[..count]), "{text}");
        assert!(count == 11 || codes(&contents) == ["file.words"], "{text}");
    }
    // Text that could be hex: the column is as long as the bytes are many.
    let contents = parse("00000000: 4142  AB\n").unwrap();
    assert_eq!(contents.bytes, run(0, b"AB"));
}

#[test]
fn forms_are_told_apart_by_content() {
    let binary = |bytes: &[u8]| read(bytes, ReadOptions::default()).map(|c| c.form);
    assert_eq!(binary(&[0; 2048]), Ok(Form::Binary));
    assert_eq!(binary(&[b'0'; 2048]), Ok(Form::Binary));
    assert_eq!(binary(&(0..=255).collect::<Vec<u8>>()), Ok(Form::Binary));
    assert_eq!(binary(b""), Err(FormError::Empty));
    assert!(matches!(
        binary(b"Dear Sir,\nthe presets are gone.\n"),
        Err(FormError::UnknownText { .. })
    ));
}

/// The base of the addresses is the one in which the lines follow each other; where gaps leave that open, a digit
/// that a base does not have speaks against it, and a text between bars is always hexdump's.
#[test]
fn the_base_of_addresses_with_gaps() {
    let text = "000126a0  c9 b0 0e ab b6 c2 2c 85  96 82 c3 c4 58 6e d9     |......,.....Xn.|\n00012710  01 02 03 04 05 06 07 08                           |........|\n00012720  09                                                |.|\n00012721\n";
    let contents = parse(text).unwrap();
    let starts: Vec<u32> = contents.bytes.segments().iter().map(|s| s.start).collect();
    assert_eq!(starts, [0x126a0, 0x12710, 0x12720]);
    // The same lines as od prints them, 8 bytes from octal 10 to 20.
    let contents = parse("0000010 01 02 03 04 05 06 07 08\n0000020 09\n0000021\n").unwrap();
    assert_eq!(contents.bytes, run(8, &[1, 2, 3, 4, 5, 6, 7, 8, 9]));
}
