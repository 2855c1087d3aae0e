//! Bytes with gaps: what a file of addressed records holds, whatever its form.

/// A run of bytes at an address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Address of the first byte.
    pub start: u32,
    /// The bytes, at least one, none beyond address `0xFFFF_FFFF`.
    pub bytes: Vec<u8>,
}

impl Segment {
    /// The address after the last byte.
    pub fn end(&self) -> u64 {
        u64::from(self.start) + self.bytes.len() as u64
    }

    /// The bytes from `from`, which is not before the start, to before `end`; `None` where there are none.
    fn part(&self, from: u32, end: u64) -> Option<&[u8]> {
        let skip = from.checked_sub(self.start)? as usize;
        let length = self.end().min(end).checked_sub(u64::from(from))?;
        let part = self.bytes.get(skip..skip + length as usize)?;
        (!part.is_empty()).then_some(part)
    }
}

/// Bytes at 32-bit addresses, with gaps between runs: memory is used for the bytes alone, not for the gaps.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SparseBytes {
    /// Ascending, and neither touching nor overlapping.
    segments: Vec<Segment>,
}

impl SparseBytes {
    /// One run of bytes. What would lie beyond the last address is dropped.
    pub fn from_run(start: u32, mut bytes: Vec<u8>) -> Self {
        let room = (1u64 << 32) - u64::from(start);
        bytes.truncate(usize::try_from(room).unwrap_or(usize::MAX));
        let segments = match bytes.is_empty() {
            true => Vec::new(),
            false => vec![Segment { start, bytes }],
        };
        Self { segments }
    }

    /// The runs in ascending order.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// Whether there is no byte at all.
    pub fn is_empty(&self) -> bool {
        self.segments.is_empty()
    }

    /// How many bytes there are, gaps not counted.
    pub fn count(&self) -> u64 {
        self.segments.iter().map(|s| s.bytes.len() as u64).sum()
    }

    /// The lowest address that holds a byte.
    pub fn first(&self) -> Option<u32> {
        self.segments.first().map(|s| s.start)
    }

    /// The address after the highest that holds a byte; 0 where there is none.
    pub fn end(&self) -> u64 {
        self.segments.last().map_or(0, Segment::end)
    }

    /// The byte at an address.
    pub fn get(&self, address: u32) -> Option<u8> {
        let after = self.segments.partition_point(|s| s.start <= address);
        let segment = self.segments.get(after.checked_sub(1)?)?;
        segment
            .bytes
            .get((address - segment.start) as usize)
            .copied()
    }

    /// Appends a run that begins at or after [`SparseBytes::end`]; returns `false`, changing nothing, where it
    /// does not or would pass the last address.
    pub fn append(&mut self, start: u32, bytes: &[u8]) -> bool {
        if bytes.is_empty() {
            return true;
        }
        let end = self.end();
        if u64::from(start) < end || u64::from(start) + bytes.len() as u64 > 1 << 32 {
            return false;
        }
        match self.segments.last_mut() {
            Some(last) if u64::from(start) == end => last.bytes.extend_from_slice(bytes),
            _ => self.segments.push(Segment {
                start,
                bytes: bytes.to_vec(),
            }),
        }
        true
    }

    /// As [`SparseBytes::append`], without copying where the run stands alone.
    pub(super) fn append_owned(&mut self, start: u32, bytes: Vec<u8>) {
        if !bytes.is_empty() && u64::from(start) > self.end() || self.is_empty() {
            self.segments.extend(Self::from_run(start, bytes).segments);
        } else {
            self.append(start, &bytes);
        }
    }

    /// The bytes from `first` to before `end`, gaps filled. `None` where that would be more than `limit` bytes.
    pub fn flatten(&self, first: u32, end: u64, fill: u8, limit: u64) -> Option<Vec<u8>> {
        let length = end.checked_sub(u64::from(first)).filter(|n| *n <= limit)?;
        let mut flat = Vec::with_capacity(usize::try_from(length).ok()?);
        for segment in &self.segments {
            let at = segment.start.max(first);
            if let Some(part) = segment.part(at, end) {
                flat.resize((at - first) as usize, fill);
                flat.extend_from_slice(part);
            }
        }
        flat.resize(length as usize, fill);
        Some(flat)
    }

    /// Only the bytes from `first` to before `end`.
    #[must_use]
    pub fn crop(&self, first: u32, end: u64) -> Self {
        let mut kept = Self::default();
        for segment in &self.segments {
            let from = segment.start.max(first);
            if let Some(part) = segment.part(from, end) {
                kept.append(from, part);
            }
        }
        kept
    }
}
