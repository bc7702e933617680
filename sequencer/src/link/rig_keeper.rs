//! The rig that a controller works by: loaded over the line, examined here as a whole, kept in flash.
//!
//! A rig comes in parts that fit a frame each, and changes nothing until it is confirmed by its check sum. Then the whole of
//! it is examined against what is compiled in, stored, and in force at once, as after a reset: the far side is assumed
//! pressurised, and read. A recipe may be loaded and outputs tested, which a check needs; no run begins before the rig has
//! been checked since, or somebody has waived that; what was decided is kept with the rig.

use super::controller::Controller;
use super::message::{Record, Request, Response, RigLack, RigMemory};
use crate::rig::Rig;
use crate::rig_image::{IMAGE_KIND, IMAGE_MAX, RigCheck, RigImage, validated};
use crate::step::Sequencer;
use crate::store::{Kept, Store, StoreError};
use crate::time::Instant;
use embedded_storage::nor_flash::NorFlash;

/// What keeps a rig over a power cut: old or new, and nothing between. [`Store`] does.
pub trait RigStorage {
    /// Why it could not.
    type Error;

    /// What was stored last, into `into`; `None` where there is nothing.
    ///
    /// # Errors
    /// When it cannot be read.
    fn read(&mut self, into: &mut [u8]) -> Result<Option<Kept>, Self::Error>;

    /// Stores `contents` in its place. May take as long as flash takes to be erased: it must feed the watchdog meanwhile.
    ///
    /// # Errors
    /// When it could not be stored, or whether it was is not certain.
    fn write(&mut self, kind: u32, contents: &[u8]) -> Result<Kept, Self::Error>;
}

impl<F: NorFlash> RigStorage for Store<F> {
    type Error = StoreError<F::Error>;

    fn read(&mut self, into: &mut [u8]) -> Result<Option<Kept>, Self::Error> {
        Self::read(self, into)
    }

    fn write(&mut self, kind: u32, contents: &[u8]) -> Result<Kept, Self::Error> {
        Self::write(self, kind, contents)
    }
}

/// Whether a controller works without a rig loaded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WithoutRig {
    /// Yes: the rig compiled in is a whole one.
    CompiledIn,
    /// No: it vents, and can be checked, and begins no run.
    NoRun,
}

/// The rig in force, and where it is kept.
#[derive(Debug)]
pub struct RigKeeper<M> {
    compiled_in: Rig,
    without: WithoutRig,
    storage: M,
    kept: Option<KeptRig>,
    /// Something is stored that cannot be used: read, or brought into line with what is compiled in.
    unusable: bool,
    fitted: Option<u8>,
    staged: Option<RigImage>,
}

/// Why nothing was changed, or nothing for certain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Refused {
    /// So many errors; with none it is not what is staged, or not of this generation.
    NotValid(u8),
    /// The storage failed.
    NotStored,
}

#[derive(Debug)]
struct KeptRig {
    generation: u32,
    image: RigImage,
}

impl<M: RigStorage> RigKeeper<M> {
    /// After a reset: what is stored, where it is whole and still fits what is compiled in.
    pub fn new(compiled_in: Rig, without: WithoutRig, storage: M) -> Self {
        let mut keeper =
            Self { compiled_in, without, storage, kept: None, unusable: false, fitted: None, staged: None };
        keeper.reread();
        keeper
    }

    #[inline(never)]
    fn reread(&mut self) {
        let mut room = [0; IMAGE_MAX];
        self.fitted = None;
        let stored = self.storage.read(&mut room);
        self.kept = match &stored {
            Ok(Some(kept)) if kept.kind == IMAGE_KIND => room
                .get(..kept.length)
                .and_then(RigImage::decode)
                .filter(|image| image.validate_with(self.compiled_in.raw(), &mut |_| {}))
                .map(|image| KeptRig { generation: kept.generation, image }),
            _ => None,
        };
        self.unusable = self.kept.is_none() && !matches!(stored, Ok(None));
    }

    /// What it is kept in, given back.
    pub fn into_storage(self) -> M {
        self.storage
    }

    /// The rig in force, with the adapter that is fitted.
    #[inline(never)]
    pub fn rig(&self) -> Rig {
        let loaded = self.kept.as_ref().and_then(|kept| validated(&kept.image.with(self.fitted)?, &mut |_| {}));
        loaded.unwrap_or(self.compiled_in)
    }

    /// What is missing before a run.
    pub fn lacking(&self) -> Option<RigLack> {
        match &self.kept {
            // Not by the rig compiled in, where another was loaded: its figures would be of the wrong one.
            None => (self.unusable || self.without == WithoutRig::NoRun).then_some(RigLack::Rig),
            Some(kept) if kept.image.check == RigCheck::NotYet => Some(RigLack::Check),
            Some(kept) if !kept.image.adapters.is_empty() && self.fitted.is_none() => Some(RigLack::Adapter),
            Some(_) => None,
        }
    }

    /// What is in force.
    #[inline(never)]
    pub fn memory(&self) -> RigMemory {
        let lacking = self.lacking();
        match &self.kept {
            None => RigMemory {
                generation: 0,
                name: heapless::String::new(),
                loaded_unix_ms: 0,
                check: RigCheck::NotYet,
                calibrated_until_unix_ms: 0,
                adapters: 0,
                fitted: None,
                lacking,
            },
            Some(KeptRig { generation, image }) => RigMemory {
                generation: *generation,
                name: image.name.clone(),
                loaded_unix_ms: image.loaded_unix_ms,
                check: image.check,
                calibrated_until_unix_ms: image.calibrated_until_unix_ms,
                adapters: image.adapters.len() as u8,
                fitted: self.fitted,
                lacking,
            },
        }
    }

    /// The response to a request about the rig; `None` where it is about something else. `now` is the rig's clock.
    #[inline(never)]
    pub fn handle<const N: usize>(
        &mut self,
        link: &mut Controller<N>,
        sequencer: &mut Sequencer,
        request: &Request,
        now: impl FnOnce() -> Instant,
    ) -> Option<Response> {
        Some(match request {
            Request::ReadRigMemory => Response::RigMemory(self.memory()),
            Request::ReadCompiledRig => Response::Rig(*self.compiled_in.raw()),
            Request::ReadAdapter { number } => Response::Adapter(
                self.kept.as_ref().and_then(|kept| kept.image.adapters.get(usize::from(*number)).cloned()),
            ),
            Request::StageRig { name, calibrated_until_unix_ms, rig } => {
                let calibrated_until_unix_ms = *calibrated_until_unix_ms;
                self.staged = Some(RigImage { calibrated_until_unix_ms, ..RigImage::new(name.clone(), *rig) });
                Response::Done
            }
            Request::StageAdapter(adapter) => {
                let added = self.staged.as_mut().is_some_and(|staged| staged.adapters.push(adapter.clone()).is_ok());
                if added { Response::Done } else { Response::NotValid { errors: 0 } }
            }
            Request::StoreRig { .. } | Request::SetRigCheck { .. } | Request::FitAdapter { .. } => {
                self.change(link, sequencer, request, now)
            }
            _ => return None,
        })
    }

    /// Only at rest, with the far side measured empty: what follows begins as after a reset.
    #[inline(never)]
    fn change<const N: usize>(
        &mut self,
        link: &mut Controller<N>,
        sequencer: &mut Sequencer,
        request: &Request,
        now: impl FnOnce() -> Instant,
    ) -> Response {
        if !sequencer.takes_recipe() || !sequencer.is_measured_empty() {
            return Response::Busy;
        }
        let changed = match request {
            Request::StoreRig { check_sum, unix_ms } => self.store_staged(*check_sum, *unix_ms),
            Request::SetRigCheck { generation, check } => self.set_check(*generation, *check),
            Request::FitAdapter { generation, number } => self.fit(*generation, *number),
            _ => Err(Refused::NotValid(0)),
        };
        // Where storing failed, what is stored now is in force, whichever it is.
        if !matches!(changed, Err(Refused::NotValid(_))) {
            *sequencer = Sequencer::new(self.rig(), None);
            link.keep(&Record::RigChanged { at: now(), memory: self.memory() });
        }
        match changed {
            Ok(()) => Response::RigMemory(self.memory()),
            Err(Refused::NotValid(errors)) => Response::NotValid { errors },
            Err(Refused::NotStored) => Response::NotStored,
        }
    }

    #[inline(never)]
    fn store_staged(&mut self, check_sum: u32, unix_ms: u64) -> Result<(), Refused> {
        // Nothing staged, or not what is meant.
        let nothing = Refused::NotValid(0);
        let Some(staged) = self.staged.as_ref().filter(|staged| staged.check_sum() == check_sum) else {
            return Err(nothing);
        };
        let mut errors = 0u8;
        if !staged.validate_with(self.compiled_in.raw(), &mut |_| errors = errors.saturating_add(1)) {
            return Err(Refused::NotValid(errors));
        }
        let Some(mut image) = self.staged.take() else { return Err(nothing) };
        image.loaded_unix_ms = unix_ms;
        // What differs by calibrations and adapters alone was checked already.
        if let Some(kept) = self.kept.as_ref().filter(|kept| image.is_wired_as(&kept.image)) {
            image.check = kept.image.check;
            image.checked_pa_per_count = kept.image.checked_pa_per_count;
        }
        self.store(image)
    }

    #[inline(never)]
    fn set_check(&mut self, generation: u32, check: RigCheck) -> Result<(), Refused> {
        match &self.kept {
            Some(kept) if kept.generation == generation => {
                let checked_pa_per_count = kept.image.rig.far.pa_per_count;
                let image = RigImage { check, checked_pa_per_count, ..kept.image.clone() };
                let fitted = self.fitted;
                self.store(image)?;
                self.fitted = fitted;
                Ok(())
            }
            _ => Err(Refused::NotValid(0)),
        }
    }

    fn fit(&mut self, generation: u32, number: Option<u8>) -> Result<(), Refused> {
        match &self.kept {
            Some(kept) if kept.generation == generation && kept.image.with(number).is_some() => {
                self.fitted = number;
                Ok(())
            }
            _ => Err(Refused::NotValid(0)),
        }
    }

    #[inline(never)]
    fn store(&mut self, image: RigImage) -> Result<(), Refused> {
        let mut room = [0; IMAGE_MAX];
        let stored = image.encode(&mut room).and_then(|bytes| self.storage.write(IMAGE_KIND, bytes).ok());
        match stored {
            Some(kept) => {
                self.kept = Some(KeptRig { generation: kept.generation, image });
                self.fitted = None;
                Ok(())
            }
            None => {
                self.reread();
                Err(Refused::NotStored)
            }
        }
    }
}
