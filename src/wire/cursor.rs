//! Reads bytes in order, and says by name what is missing or left over.

use super::misfit::Misfit;

/// A place in a run of bytes.
#[derive(Debug, Clone)]
pub(crate) struct Cursor<'a> {
    rest: &'a [u8],
}

impl<'a> Cursor<'a> {
    pub(crate) fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes }
    }

    /// The next byte, which is called `name`.
    pub(crate) fn byte(&mut self, name: &'static str) -> Result<u8, Misfit> {
        let (first, rest) = self.rest.split_first().ok_or(Misfit::Missing(name))?;
        self.rest = rest;
        Ok(*first)
    }

    /// The next big-endian word.
    pub(crate) fn word(&mut self, name: &'static str) -> Result<u16, Misfit> {
        let (first, rest) = self
            .rest
            .split_first_chunk::<2>()
            .ok_or(Misfit::Missing(name))?;
        self.rest = rest;
        Ok(u16::from_be_bytes(*first))
    }

    /// The next `count` bytes.
    pub(crate) fn take(&mut self, count: usize, name: &'static str) -> Result<&'a [u8], Misfit> {
        let (first, rest) = self
            .rest
            .split_at_checked(count)
            .ok_or(Misfit::Missing(name))?;
        self.rest = rest;
        Ok(first)
    }

    /// Nothing may be left.
    pub(crate) fn end(&self) -> Result<(), Misfit> {
        match self.rest.len() {
            0 => Ok(()),
            bytes => Err(Misfit::LeftOver { bytes }),
        }
    }
}
