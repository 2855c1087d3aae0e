//! Opening what a command is given: readings, layouts, banks.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use crate::bank::{Bank, Decoded};
use crate::blame::{Blame, DiskError, Who};
use crate::document::{self, Document};
use crate::image::form::WriteForm;
use crate::image::{ChipImage, Form, Packing};
use crate::layout::{self, LayoutError, model::Layout};
use crate::plain;
use crate::reading::{self, ChipReading, Files, Reading, ReadingSpec, WriteOptions};
use crate::settle::Settlement;
use crate::shelf::{Role, gather};

use super::output::{complain, quoted};
use super::shelved::{self, ShelfArgs, Taken};
use super::{Failure, inputs};

/// Which layout, and what is special about the files.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct ReadingArgs {
    /// Layout, by name or by path; not needed where the reading's own record names it
    #[arg(short, long, value_name = "LAYOUT")]
    pub(crate) layout: Option<String>,
    /// Form of the files, where it is not to be told by their content: bin, hex, srec, ti-txt, listing
    #[arg(long, value_name = "FORM", help_heading = "Files")]
    form: Option<Form>,
    /// How the files hold the cells, where it is not as the layout says: PACKING, or CHIP=PACKING (repeatable); files
    /// written with a reading.json go by that
    #[arg(long, value_name = "PACKING", help_heading = "Files")]
    packing: Vec<String>,
    /// The files' address of the chips' first cell
    #[arg(long, value_name = "ADDRESS", value_parser = address, help_heading = "Files")]
    load_offset: Option<u32>,
    /// Leave out wrong lines of text files, with a finding each
    #[arg(long, help_heading = "Files")]
    skip_wrong_lines: bool,
}

/// An address in decimal, or in hexadecimal after `0x`.
pub(crate) fn address(text: &str) -> Result<u32, String> {
    let parsed = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(hex) => u32::from_str_radix(hex, 16),
        None => text.parse(),
    };
    parsed.map_err(|_| "write an address such as 2048 or 0x800".to_owned())
}

/// A layout by its name, its path, or a shelf reference to the layout of a job.
pub(crate) fn layout_named(name: &str) -> Result<Layout, Failure> {
    if crate::shelf::Reference::is_one(name) {
        return shelved::layout_at(name);
    }
    inputs::note(Path::new(name));
    Ok(layout::load(name)?)
}

/// Whether two arguments name the same reading: the same words, or the same place on the disk.
pub(crate) fn same_place(one: &str, other: &str) -> bool {
    let place = |name: &str| std::fs::canonicalize(name).ok();
    one == other || place(one).is_some_and(|p| Some(p) == place(other))
}

/// What a command could not open.
#[derive(Debug, thiserror::Error)]
enum OpenError {
    #[error("{reading} does not say which layout it was read by")]
    NoLayout { reading: String },
    #[error("{reading} was read by a layout that is not known here: {unknown}")]
    UnknownLayout {
        reading: String,
        unknown: LayoutError,
    },
    #[error("{}: not a bank: {says}", path.display())]
    NotABank { path: PathBuf, says: String },
    #[error("{what}: not a record of settling: {says}")]
    NotASettlement { what: String, says: String },
    #[error("--packing {text}: {says}")]
    Packing { text: String, says: String },
}

impl Blame for OpenError {
    fn who(&self) -> Who {
        match self {
            OpenError::NotABank { .. } | OpenError::NotASettlement { .. } => Who::File,
            _ => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        Some(match self {
            OpenError::NoLayout { reading } => {
                format!("name it with --layout; `cellkeep identify {reading}` tells which fit")
            }
            OpenError::UnknownLayout { .. } => "name its file with --layout, or keep it in the folder that `cellkeep layout list` tells".into(),
            OpenError::NotABank { .. } => {
                "give the file that `cellkeep decode --json` wrote".into()
            }
            OpenError::NotASettlement { .. } => {
                "give settlement.json as `cellkeep settle` wrote it, or the reads themselves".into()
            }
            OpenError::Packing { .. } => "`cellkeep convert --help` lists the packings".into(),
        })
    }
}

/// What a reading is loaded from; files of the shelf are laid out for as long as this is kept.
struct Opened {
    spec: ReadingSpec,
    taken: Option<Taken>,
}

impl ReadingArgs {
    /// The layout that was named, or that the reading's record names.
    pub(crate) fn layout_for(&self, reading: &str) -> Result<Layout, Failure> {
        if let Some(name) = &self.layout {
            return layout_named(name);
        }
        let opened = self.spec(reading)?;
        let Some(named) = reading::named_layout(&opened.spec)? else {
            let held = shelved::layout_of(reading)?;
            let reading = reading.to_owned();
            return held.ok_or_else(|| OpenError::NoLayout { reading }.into());
        };
        // The one kept with the job is what the reading was read by, where its digest says so.
        let kept = shelved::kept_layout(reading, &named.id);
        match (kept, layout::load(&named.id)) {
            (Ok(Some(kept)), _) if kept.source.is(&named.sha256) => Ok(kept),
            // One that this program does not know by name may lie in the job.
            (Ok(Some(kept)), Err(LayoutError::NotFound { .. })) => Ok(kept),
            (_, Err(unknown @ LayoutError::NotFound { .. })) => Err(OpenError::UnknownLayout {
                reading: reading.to_owned(),
                unknown,
            }
            .into()),
            (_, found) => Ok(found?),
        }
    }

    /// The options that the next command needs too: the layout, where it is not known by its name alone, since a
    /// reading's record holds no more than that; and how files without a record are to be read.
    pub(crate) fn again(&self) -> String {
        let given = self.layout.iter();
        let layout: String = given
            .filter(|name| layout::is_path(name) || crate::shelf::Reference::is_one(name))
            .map(|name| format!(" -l {}", quoted(name)))
            .collect();
        layout + &self.files_again()
    }

    /// The same for what was made of a reading of the shelf: where this program does not know its layout, that is named where it
    /// lies in the job.
    pub(crate) fn again_from(&self, reading: &str, layout: Option<&Layout>) -> String {
        let known = |l: &Layout| layout::load(&l.id).is_ok_and(|o| o.source.is(&l.source.sha256));
        let kept = layout
            .filter(|l| self.layout.is_none() && !known(l))
            .and_then(|l| shelved::place_of_layout(reading, &l.id));
        let kept = kept.map_or(String::new(), |at| format!(" -l {}", quoted(&at)));
        kept + &self.again()
    }

    /// The options that say how files are to be read, for the next command on the same files.
    pub(crate) fn files_again(&self) -> String {
        let mut out = String::new();
        if let Some(form) = self.form {
            out.push_str(&format!(" --form {}", form.name()));
        }
        for packing in &self.packing {
            out.push_str(&format!(" --packing {}", quoted(packing)));
        }
        if let Some(offset) = self.load_offset {
            out.push_str(&format!(" --load-offset {offset:#x}"));
        }
        if self.skip_wrong_lines {
            out.push_str(" --skip-wrong-lines");
        }
        out
    }

    /// The layout that was named, or that the record of either reading names, the first one's first.
    pub(crate) fn layout_for_either(&self, one: &str, other: &str) -> Result<Layout, Failure> {
        match self.layout_if_named(one)? {
            Some(layout) => Ok(layout),
            None => match self.layout_if_named(other)? {
                Some(layout) => Ok(layout),
                None => self.layout_for(one),
            },
        }
    }

    /// The layout that was named, or that the reading's record names, if there is one: some commands work on bare
    /// chips too.
    pub(crate) fn layout_if_named(&self, reading: &str) -> Result<Option<Layout>, Failure> {
        if self.layout.is_none() && reading::named_layout(&self.spec(reading)?.spec)?.is_none() {
            return shelved::layout_of(reading);
        }
        self.layout_for(reading).map(Some)
    }

    /// Loads a reading and brings it into the layout's order and geometry, where there is a layout.
    pub(crate) fn aligned(&self, text: &str, layout: Option<&Layout>) -> Result<Reading, Failure> {
        let reading = self.load(text, layout)?;
        Ok(match layout {
            Some(layout) => reading.aligned(layout),
            None => reading,
        })
    }

    /// Loads a reading of the same chips as another. Without a layout two readings of one file each are of one chip,
    /// whatever the files are called.
    pub(crate) fn aligned_with(
        &self,
        text: &str,
        layout: Option<&Layout>,
        other: &Reading,
    ) -> Result<Reading, Failure> {
        let mut reading = self.aligned(text, layout)?;
        let after_file = |chip: &ChipReading| {
            let stem = chip.source.as_ref().and_then(|s| s.path.file_stem());
            stem.is_some_and(|stem| stem.to_string_lossy() == chip.id)
        };
        if layout.is_none()
            && let ([chip], [same]) = (reading.chips.as_mut_slice(), other.chips.as_slice())
            && after_file(chip)
            && after_file(same)
        {
            chip.id.clone_from(&same.id);
        }
        Ok(reading)
    }

    /// The same with files that hold the cells another way, where that is said.
    pub(crate) fn packed(&self, packing: &[String]) -> Self {
        let mut files = self.clone();
        if !packing.is_empty() {
            files.packing = packing.to_vec();
        }
        files
    }

    /// A document that lies beside a reading in its folder, if there is one; or the reading's own text where it names the
    /// document itself.
    pub(crate) fn beside(&self, text: &str, name: &str) -> Result<Option<Vec<u8>>, Failure> {
        let opened = self.spec(text)?;
        let Files::Path(path) = &opened.spec.files else {
            return Ok(None);
        };
        let path = if path.is_dir() {
            path.join(name)
        } else if path.extension().is_some_and(|e| e == "json") {
            path.clone()
        } else {
            return Ok(None);
        };
        if !path.is_file() {
            return Ok(None);
        }
        Ok(Some(plain::read(&path, plain::MOST)?))
    }

    /// Loads a reading by a layout, or bare.
    pub(crate) fn load(&self, text: &str, layout: Option<&Layout>) -> Result<Reading, Failure> {
        self.load_opened(&self.spec(text)?, layout)
    }

    /// Loads a bare reading of chips of which the numbers of data lines are known.
    pub(crate) fn load_wide(
        &self,
        text: &str,
        widths: Vec<(String, u8)>,
    ) -> Result<Reading, Failure> {
        let mut opened = self.spec(text)?;
        opened.spec.chip_width = widths;
        self.load_opened(&opened, None)
    }

    fn load_opened(&self, opened: &Opened, layout: Option<&Layout>) -> Result<Reading, Failure> {
        let reading = match (reading::load(&opened.spec, layout), &opened.taken) {
            (Err(e), Some(taken)) => return Err(taken.told(&e).into()),
            (loaded, _) => loaded?,
        };
        if let Files::Path(path) = &opened.spec.files {
            inputs::note(path);
            inputs::note(&path.join("reading.json"));
        }
        for source in reading.chips.iter().filter_map(|c| c.source.as_ref()) {
            inputs::note(&source.path);
        }
        Ok(reading)
    }

    /// Loads a reading by a layout and decodes it.
    pub(crate) fn decode<'a>(
        &self,
        text: &str,
        layout: &'a Layout,
    ) -> Result<Decoded<'a>, Failure> {
        Ok(Decoded::new(layout, &self.load(text, Some(layout))?)?)
    }

    fn spec(&self, text: &str) -> Result<Opened, Failure> {
        let taken = shelved::take(text)?;
        let mut spec = match &taken {
            Some(taken) => ReadingSpec::path(&taken.path),
            None => ReadingSpec::from_str(text)?,
        };
        spec.form = self.form;
        spec.load_offset = self.load_offset;
        spec.skip_wrong_lines = self.skip_wrong_lines;
        for text in &self.packing {
            let wrong = |says: String| OpenError::Packing {
                text: text.clone(),
                says,
            };
            match text.split_once('=') {
                Some((chip, packing)) => {
                    let packing = Packing::from_str(packing).map_err(|e| wrong(e.to_string()))?;
                    spec.chip_packing.push((chip.to_owned(), packing));
                }
                None => {
                    let packing = Packing::from_str(text).map_err(|e| wrong(e.to_string()))?;
                    spec.packing = Some(packing);
                }
            }
        }
        Ok(Opened { spec, taken })
    }
}

/// Reads a bank document.
pub(crate) fn bank(path: &Path) -> Result<Bank, Failure> {
    let text = shelved::read_file(path)?;
    let not = |says: String| OpenError::NotABank {
        path: path.to_owned(),
        says,
    };
    let bank: Bank = serde_json::from_slice(document::without_mark(&text))
        .map_err(|e| not(document::in_words(&e.to_string())))?;
    if bank.kind.as_deref().is_some_and(|k| k != Bank::KIND) {
        return Err(not(format!(
            "it is a {:?} document",
            bank.kind.unwrap_or_default()
        ))
        .into());
    }
    if bank.version.is_some_and(|v| v != Bank::VERSION) {
        let version = bank.version.unwrap_or_default();
        return Err(not(format!(
            "version {version}; this program knows version {}",
            Bank::VERSION
        ))
        .into());
    }
    Ok(bank)
}

/// Reads a record of settling.
pub(crate) fn settlement(bytes: &[u8], what: &str) -> Result<Settlement, Failure> {
    let not = |says: String| OpenError::NotASettlement {
        what: what.to_owned(),
        says,
    };
    document::from_json(bytes).map_err(|e| not(e.to_string()).into())
}

/// Where and how a reading is written.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct OutputArgs {
    /// New folder to write to
    #[arg(
        short,
        long,
        value_name = "FOLDER",
        required_unless_present = "shelf_job"
    )]
    pub(crate) output: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) shelf: ShelfArgs,
    #[command(flatten)]
    pub(crate) written: WrittenArgs,
}

/// How a reading is written.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct WrittenArgs {
    /// Form of the chip files: bin, hex, srec, ti-txt, listing
    #[arg(long, value_name = "FORM", default_value = "bin")]
    write_form: Form,
    /// How the chip files hold the cells; without it as they were read
    #[arg(long, value_name = "PACKING")]
    write_packing: Option<Packing>,
    /// Replace a reading that is already there
    #[arg(long)]
    pub(crate) replace: bool,
}

impl OutputArgs {
    /// Where the reading goes, for messages.
    pub(crate) fn place(&self, role: Role) -> String {
        match (&self.output, &self.shelf.job) {
            (Some(folder), _) => folder.display().to_string(),
            (None, job) => format!(
                "shelf:{}/{}",
                job.as_deref().unwrap_or_default(),
                role.word()
            ),
        }
    }

    /// Writes a reading into the folder, or into the job, as what is to be written into the chips, with other documents
    /// beside it. `held` is what the files hold where the reading knows less. Returns the names of the files.
    pub(crate) fn write(
        &self,
        reading: &Reading,
        layout: &Layout,
        also: Vec<(String, Vec<u8>)>,
        held: &[ChipImage],
    ) -> Result<Vec<String>, Failure> {
        self.write_held(Role::AsWritten, (reading, Some(layout)), also, held)
    }

    /// The same for a reading that plays another part in a job. Its layout is kept with the job, where that has none of its id.
    pub(crate) fn write_as(
        &self,
        role: Role,
        (reading, layout): (&Reading, Option<&Layout>),
        also: Vec<(String, Vec<u8>)>,
    ) -> Result<Vec<String>, Failure> {
        self.write_held(role, (reading, layout), also, &[])
    }

    fn write_held(
        &self,
        role: Role,
        (reading, layout): (&Reading, Option<&Layout>),
        also: Vec<(String, Vec<u8>)>,
        held: &[ChipImage],
    ) -> Result<Vec<String>, Failure> {
        let options = WriteOptions {
            form: WriteForm {
                form: self.written.write_form,
                ..WriteForm::default()
            },
            packing: self.written.write_packing,
            replace: self.written.replace,
            also,
            keep_off: inputs::all(),
            held: held.to_vec(),
        };
        let temporary = tempfile::tempdir()
            .map_err(|e| DiskError::new("make a folder in", std::env::temp_dir(), e))?;
        let folder = match &self.output {
            Some(folder) => folder.clone(),
            None => temporary.path().join("reading"),
        };
        let written = reading::write(reading, &folder, &options)?;
        tell_left(written.left.as_deref());
        if self.shelf.job.is_some() {
            let mut files = gather(&folder, role, None)?;
            if let Some(layout) = layout {
                files.extend(self.shelf.layouts_missing(layout)?);
            }
            self.shelf.put(files, self.written.replace)?;
        }
        Ok(written.files)
    }
}

/// Tells where a folder lies that was replaced and could not be removed: what was asked for is done all the same.
pub(crate) fn tell_left(left: Option<&Path>) {
    if let Some(left) = left {
        complain!(
            "caution: what was there could not be removed and is now {}",
            left.display()
        );
    }
}
