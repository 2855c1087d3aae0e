// Made with the dumps; see PROVENANCE.md.
&[
    Dump {
        instrument: "aldermoor-four",
        file: "damaged/lost-supply/CH12.bin",
        contents: include_bytes!("aldermoor-four/damaged/lost-supply/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "damaged/lost-supply/CH34.bin",
        contents: include_bytes!("aldermoor-four/damaged/lost-supply/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "damaged/lost-supply/PROG.bin",
        contents: include_bytes!("aldermoor-four/damaged/lost-supply/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "damaged/sagging/CH12.bin",
        contents: include_bytes!("aldermoor-four/damaged/sagging/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "damaged/sagging/CH34.bin",
        contents: include_bytes!("aldermoor-four/damaged/sagging/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "damaged/sagging/PROG.bin",
        contents: include_bytes!("aldermoor-four/damaged/sagging/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "earlier/programmer.bin",
        contents: include_bytes!("aldermoor-four/earlier/programmer.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "earlier/voices12.bin",
        contents: include_bytes!("aldermoor-four/earlier/voices12.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "earlier/voices34.bin",
        contents: include_bytes!("aldermoor-four/earlier/voices34.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "hand-set.toml",
        contents: include_bytes!("aldermoor-four/hand-set.toml"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "read-back/CH12.bin",
        contents: include_bytes!("aldermoor-four/read-back/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "read-back/CH34.bin",
        contents: include_bytes!("aldermoor-four/read-back/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "read-back/PROG.bin",
        contents: include_bytes!("aldermoor-four/read-back/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "today-1/CH12.hex",
        contents: include_bytes!("aldermoor-four/today-1/CH12.hex"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "today-1/CH34.hex",
        contents: include_bytes!("aldermoor-four/today-1/CH34.hex"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "today-1/PROG.hex",
        contents: include_bytes!("aldermoor-four/today-1/PROG.hex"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "today-2/CH12.hex",
        contents: include_bytes!("aldermoor-four/today-2/CH12.hex"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "today-2/CH34.hex",
        contents: include_bytes!("aldermoor-four/today-2/CH34.hex"),
    },
    Dump {
        instrument: "aldermoor-four",
        file: "today-2/PROG.hex",
        contents: include_bytes!("aldermoor-four/today-2/PROG.hex"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH12.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH34.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH56A.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH56A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH56B.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH56B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH56C.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH56C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH56D.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH56D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH78A.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH78A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH78B.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH78B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH78C.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH78C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/CH78D.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/CH78D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/address-line/PROG.bin",
        contents: include_bytes!("aldermoor-eight/damaged/address-line/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH12.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH34.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH56A.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH56A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH56B.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH56B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH56C.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH56C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH56D.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH56D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH78A.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH78A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH78B.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH78B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH78C.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH78C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/CH78D.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/CH78D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "damaged/boards-exchanged/PROG.bin",
        contents: include_bytes!("aldermoor-eight/damaged/boards-exchanged/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board3a.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board3a.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board3b.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board3b.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board3c.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board3c.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board3d.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board3d.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board4a.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board4a.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board4b.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board4b.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board4c.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board4c.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/board4d.s19",
        contents: include_bytes!("aldermoor-eight/earlier/board4d.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/programmer.s19",
        contents: include_bytes!("aldermoor-eight/earlier/programmer.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/voices12.s19",
        contents: include_bytes!("aldermoor-eight/earlier/voices12.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "earlier/voices34.s19",
        contents: include_bytes!("aldermoor-eight/earlier/voices34.s19"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "hand-set.toml",
        contents: include_bytes!("aldermoor-eight/hand-set.toml"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH12.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH34.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH56A.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH56A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH56B.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH56B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH56C.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH56C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH56D.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH56D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH78A.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH78A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH78B.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH78B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH78C.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH78C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/CH78D.bin",
        contents: include_bytes!("aldermoor-eight/read-back/CH78D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "read-back/PROG.bin",
        contents: include_bytes!("aldermoor-eight/read-back/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH12.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH34.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH56A.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH56A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH56B.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH56B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH56C.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH56C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH56D.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH56D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH78A.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH78A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH78B.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH78B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH78C.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH78C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/CH78D.bin",
        contents: include_bytes!("aldermoor-eight/today-1/CH78D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-1/PROG.bin",
        contents: include_bytes!("aldermoor-eight/today-1/PROG.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH12.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH12.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH34.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH34.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH56A.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH56A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH56B.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH56B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH56C.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH56C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH56D.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH56D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH78A.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH78A.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH78B.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH78B.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH78C.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH78C.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/CH78D.bin",
        contents: include_bytes!("aldermoor-eight/today-2/CH78D.bin"),
    },
    Dump {
        instrument: "aldermoor-eight",
        file: "today-2/PROG.bin",
        contents: include_bytes!("aldermoor-eight/today-2/PROG.bin"),
    },
    Dump {
        instrument: "pellow-six",
        file: "damaged/contact-1/IC14.bin",
        contents: include_bytes!("pellow-six/damaged/contact-1/IC14.bin"),
    },
    Dump {
        instrument: "pellow-six",
        file: "damaged/contact-2/IC14.bin",
        contents: include_bytes!("pellow-six/damaged/contact-2/IC14.bin"),
    },
    Dump {
        instrument: "pellow-six",
        file: "damaged/contact-3/IC14.bin",
        contents: include_bytes!("pellow-six/damaged/contact-3/IC14.bin"),
    },
    Dump {
        instrument: "pellow-six",
        file: "damaged/sagging/IC14.bin",
        contents: include_bytes!("pellow-six/damaged/sagging/IC14.bin"),
    },
    Dump {
        instrument: "pellow-six",
        file: "earlier/ram.hex",
        contents: include_bytes!("pellow-six/earlier/ram.hex"),
    },
    Dump {
        instrument: "pellow-six",
        file: "hand-set.toml",
        contents: include_bytes!("pellow-six/hand-set.toml"),
    },
    Dump {
        instrument: "pellow-six",
        file: "read-back/IC14.hex",
        contents: include_bytes!("pellow-six/read-back/IC14.hex"),
    },
    Dump {
        instrument: "pellow-six",
        file: "today-1/IC14.bin",
        contents: include_bytes!("pellow-six/today-1/IC14.bin"),
    },
    Dump {
        instrument: "pellow-six",
        file: "today-2/IC14.bin",
        contents: include_bytes!("pellow-six/today-2/IC14.bin"),
    },
    Dump {
        instrument: "quillon-72",
        file: "damaged/data-line/IC4.bin",
        contents: include_bytes!("quillon-72/damaged/data-line/IC4.bin"),
    },
    Dump {
        instrument: "quillon-72",
        file: "damaged/data-line/IC5.bin",
        contents: include_bytes!("quillon-72/damaged/data-line/IC5.bin"),
    },
    Dump {
        instrument: "quillon-72",
        file: "damaged/glitch/IC4.bin",
        contents: include_bytes!("quillon-72/damaged/glitch/IC4.bin"),
    },
    Dump {
        instrument: "quillon-72",
        file: "damaged/glitch/IC5.bin",
        contents: include_bytes!("quillon-72/damaged/glitch/IC5.bin"),
    },
    Dump {
        instrument: "quillon-72",
        file: "earlier/high.txt",
        contents: include_bytes!("quillon-72/earlier/high.txt"),
    },
    Dump {
        instrument: "quillon-72",
        file: "earlier/low.txt",
        contents: include_bytes!("quillon-72/earlier/low.txt"),
    },
    Dump {
        instrument: "quillon-72",
        file: "hand-set.toml",
        contents: include_bytes!("quillon-72/hand-set.toml"),
    },
    Dump {
        instrument: "quillon-72",
        file: "read-back/IC4.s19",
        contents: include_bytes!("quillon-72/read-back/IC4.s19"),
    },
    Dump {
        instrument: "quillon-72",
        file: "read-back/IC5.s19",
        contents: include_bytes!("quillon-72/read-back/IC5.s19"),
    },
    Dump {
        instrument: "quillon-72",
        file: "today-1/IC4.hex",
        contents: include_bytes!("quillon-72/today-1/IC4.hex"),
    },
    Dump {
        instrument: "quillon-72",
        file: "today-1/IC5.hex",
        contents: include_bytes!("quillon-72/today-1/IC5.hex"),
    },
    Dump {
        instrument: "quillon-72",
        file: "today-2/IC4.hex",
        contents: include_bytes!("quillon-72/today-2/IC4.hex"),
    },
    Dump {
        instrument: "quillon-72",
        file: "today-2/IC5.hex",
        contents: include_bytes!("quillon-72/today-2/IC5.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/plane-lost/IC20.bin",
        contents: include_bytes!("wrenfield-strings/damaged/plane-lost/IC20.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/plane-lost/IC21.bin",
        contents: include_bytes!("wrenfield-strings/damaged/plane-lost/IC21.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/plane-lost/IC22.bin",
        contents: include_bytes!("wrenfield-strings/damaged/plane-lost/IC22.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/plane-lost/IC23.bin",
        contents: include_bytes!("wrenfield-strings/damaged/plane-lost/IC23.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/plane-lost/IC24.bin",
        contents: include_bytes!("wrenfield-strings/damaged/plane-lost/IC24.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/plane-lost/IC25.bin",
        contents: include_bytes!("wrenfield-strings/damaged/plane-lost/IC25.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/sagging/IC20.bin",
        contents: include_bytes!("wrenfield-strings/damaged/sagging/IC20.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/sagging/IC21.bin",
        contents: include_bytes!("wrenfield-strings/damaged/sagging/IC21.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/sagging/IC22.bin",
        contents: include_bytes!("wrenfield-strings/damaged/sagging/IC22.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/sagging/IC23.bin",
        contents: include_bytes!("wrenfield-strings/damaged/sagging/IC23.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/sagging/IC24.bin",
        contents: include_bytes!("wrenfield-strings/damaged/sagging/IC24.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "damaged/sagging/IC25.bin",
        contents: include_bytes!("wrenfield-strings/damaged/sagging/IC25.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "earlier/plane0.bin",
        contents: include_bytes!("wrenfield-strings/earlier/plane0.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "earlier/plane1.bin",
        contents: include_bytes!("wrenfield-strings/earlier/plane1.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "earlier/plane2.bin",
        contents: include_bytes!("wrenfield-strings/earlier/plane2.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "earlier/plane3.bin",
        contents: include_bytes!("wrenfield-strings/earlier/plane3.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "earlier/plane4.bin",
        contents: include_bytes!("wrenfield-strings/earlier/plane4.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "earlier/plane5.bin",
        contents: include_bytes!("wrenfield-strings/earlier/plane5.bin"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "hand-set.toml",
        contents: include_bytes!("wrenfield-strings/hand-set.toml"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "read-back/IC20.hex",
        contents: include_bytes!("wrenfield-strings/read-back/IC20.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "read-back/IC21.hex",
        contents: include_bytes!("wrenfield-strings/read-back/IC21.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "read-back/IC22.hex",
        contents: include_bytes!("wrenfield-strings/read-back/IC22.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "read-back/IC23.hex",
        contents: include_bytes!("wrenfield-strings/read-back/IC23.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "read-back/IC24.hex",
        contents: include_bytes!("wrenfield-strings/read-back/IC24.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "read-back/IC25.hex",
        contents: include_bytes!("wrenfield-strings/read-back/IC25.hex"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-1/IC20.s19",
        contents: include_bytes!("wrenfield-strings/today-1/IC20.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-1/IC21.s19",
        contents: include_bytes!("wrenfield-strings/today-1/IC21.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-1/IC22.s19",
        contents: include_bytes!("wrenfield-strings/today-1/IC22.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-1/IC23.s19",
        contents: include_bytes!("wrenfield-strings/today-1/IC23.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-1/IC24.s19",
        contents: include_bytes!("wrenfield-strings/today-1/IC24.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-1/IC25.s19",
        contents: include_bytes!("wrenfield-strings/today-1/IC25.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-2/IC20.s19",
        contents: include_bytes!("wrenfield-strings/today-2/IC20.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-2/IC21.s19",
        contents: include_bytes!("wrenfield-strings/today-2/IC21.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-2/IC22.s19",
        contents: include_bytes!("wrenfield-strings/today-2/IC22.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-2/IC23.s19",
        contents: include_bytes!("wrenfield-strings/today-2/IC23.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-2/IC24.s19",
        contents: include_bytes!("wrenfield-strings/today-2/IC24.s19"),
    },
    Dump {
        instrument: "wrenfield-strings",
        file: "today-2/IC25.s19",
        contents: include_bytes!("wrenfield-strings/today-2/IC25.s19"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "damaged/overwritten/IC41.bin",
        contents: include_bytes!("tessaly-nine/damaged/overwritten/IC41.bin"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "damaged/sagging/IC41.bin",
        contents: include_bytes!("tessaly-nine/damaged/sagging/IC41.bin"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "earlier/ram.bin",
        contents: include_bytes!("tessaly-nine/earlier/ram.bin"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "hand-set.toml",
        contents: include_bytes!("tessaly-nine/hand-set.toml"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "read-back/IC41.bin",
        contents: include_bytes!("tessaly-nine/read-back/IC41.bin"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "today-1/IC41.bin",
        contents: include_bytes!("tessaly-nine/today-1/IC41.bin"),
    },
    Dump {
        instrument: "tessaly-nine",
        file: "today-2/IC41.bin",
        contents: include_bytes!("tessaly-nine/today-2/IC41.bin"),
    },
]
