//! The catalogue of CRCs that a layout can name.
//!
//! The parameters are those of the `crc` crate's catalogue; the names are its constants. Only widths up to 64
//! bits are offered, since a check is a code.

use crc::{Algorithm, Crc};

/// A catalogue entry, by the word it is computed in.
enum Entry {
    U8(&'static Algorithm<u8>),
    U16(&'static Algorithm<u16>),
    U32(&'static Algorithm<u32>),
    U64(&'static Algorithm<u64>),
}

macro_rules! catalogue {
    ($($variant:ident: $($crc:ident)*;)*) => {
        /// Every name, with its entry.
        static CATALOGUE: &[(&str, Entry)] = &[
            $($((stringify!($crc), Entry::$variant(&crc::$crc)),)*)*
        ];
    };
}

catalogue! {
    U8:
        CRC_3_GSM CRC_3_ROHC CRC_4_G_704 CRC_4_INTERLAKEN CRC_5_EPC_C1G2 CRC_5_G_704 CRC_5_USB
        CRC_6_CDMA2000_A CRC_6_CDMA2000_B CRC_6_DARC CRC_6_G_704 CRC_6_GSM CRC_7_MMC CRC_7_ROHC CRC_7_UMTS
        CRC_8_AUTOSAR CRC_8_BLUETOOTH CRC_8_CDMA2000 CRC_8_DARC CRC_8_DVB_S2 CRC_8_GSM_A CRC_8_GSM_B
        CRC_8_HITAG CRC_8_I_432_1 CRC_8_I_CODE CRC_8_LTE CRC_8_MAXIM_DOW CRC_8_MIFARE_MAD CRC_8_NRSC_5
        CRC_8_OPENSAFETY CRC_8_ROHC CRC_8_SAE_J1850 CRC_8_SMBUS CRC_8_TECH_3250 CRC_8_WCDMA;
    U16:
        CRC_10_ATM CRC_10_CDMA2000 CRC_10_GSM CRC_11_FLEXRAY CRC_11_UMTS CRC_12_CDMA2000 CRC_12_DECT
        CRC_12_GSM CRC_12_UMTS CRC_13_BBC CRC_14_DARC CRC_14_GSM CRC_15_CAN CRC_15_MPT1327 CRC_16_ARC
        CRC_16_CDMA2000 CRC_16_CMS CRC_16_DDS_110 CRC_16_DECT_R CRC_16_DECT_X CRC_16_DNP CRC_16_EN_13757
        CRC_16_GENIBUS CRC_16_GSM CRC_16_IBM_3740 CRC_16_IBM_SDLC CRC_16_ISO_IEC_14443_3_A CRC_16_KERMIT
        CRC_16_LJ1200 CRC_16_M17 CRC_16_MAXIM_DOW CRC_16_MCRF4XX CRC_16_MODBUS CRC_16_NRSC_5
        CRC_16_OPENSAFETY_A CRC_16_OPENSAFETY_B CRC_16_PROFIBUS CRC_16_RIELLO CRC_16_SPI_FUJITSU
        CRC_16_T10_DIF CRC_16_TELEDISK CRC_16_TMS37157 CRC_16_UMTS CRC_16_USB CRC_16_XMODEM;
    U32:
        CRC_17_CAN_FD CRC_21_CAN_FD CRC_24_BLE CRC_24_FLEXRAY_A CRC_24_FLEXRAY_B CRC_24_INTERLAKEN
        CRC_24_LTE_A CRC_24_LTE_B CRC_24_OPENPGP CRC_24_OS_9 CRC_30_CDMA CRC_31_PHILIPS CRC_32_AIXM
        CRC_32_AUTOSAR CRC_32_BASE91_D CRC_32_BZIP2 CRC_32_CD_ROM_EDC CRC_32_CKSUM CRC_32_ISCSI
        CRC_32_ISO_HDLC CRC_32_JAMCRC CRC_32_MEF CRC_32_MPEG_2 CRC_32_XFER;
    U64:
        CRC_40_GSM CRC_64_ECMA_182 CRC_64_GO_ISO CRC_64_MS CRC_64_REDIS CRC_64_WE CRC_64_XZ CRC_64_NVME;
}

fn find(name: &str) -> Option<&'static Entry> {
    CATALOGUE.iter().find(|(n, _)| *n == name).map(|(_, e)| e)
}

/// Computes the CRC of the catalogue name over bytes; `None` where the catalogue has no such name.
pub fn compute(name: &str, bytes: &[u8]) -> Option<u64> {
    Some(match find(name)? {
        Entry::U8(a) => u64::from(Crc::<u8>::new(a).checksum(bytes)),
        Entry::U16(a) => u64::from(Crc::<u16>::new(a).checksum(bytes)),
        Entry::U32(a) => u64::from(Crc::<u32>::new(a).checksum(bytes)),
        Entry::U64(a) => Crc::<u64>::new(a).checksum(bytes),
    })
}

/// Every name of the catalogue with its width in bits, in alphabetical order.
pub fn names() -> Vec<(&'static str, u8)> {
    let width = |entry: &Entry| match entry {
        Entry::U8(a) => a.width,
        Entry::U16(a) => a.width,
        Entry::U32(a) => a.width,
        Entry::U64(a) => a.width,
    };
    let mut names: Vec<(&str, u8)> = CATALOGUE.iter().map(|(n, e)| (*n, width(e))).collect();
    names.sort_unstable();
    names
}

/// The check value that the catalogue publishes for a name: its CRC over the nine characters "123456789".
pub fn check_value(name: &str) -> Option<u64> {
    Some(match find(name)? {
        Entry::U8(a) => u64::from(a.check),
        Entry::U16(a) => u64::from(a.check),
        Entry::U32(a) => u64::from(a.check),
        Entry::U64(a) => a.check,
    })
}
