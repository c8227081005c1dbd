//! The driver's chores, and the link that they are done on.

use std::time::Duration;

use nosebar::printer::{Chore, Order};
use nosebar::sim::Fault;

use super::world::World;

/// What a read of a file gives at most: small, so that it is hungry now and then.
const FILE_PIECE: usize = 512;

impl World {
    /// One chore of the driver, or one order to it.
    pub(super) fn step_driver(&mut self) -> Result<bool, String> {
        let (now, physical) = (self.now(), self.physical());
        let Some(process) = &mut self.process else { return Ok(false) };
        if let Some(chore) = process.attendant.poll(now) {
            self.do_chore(chore)?;
            return Ok(true);
        }
        if let Some(order) = process.orders.pop_front() {
            if order != Order::PartsTakenOff {
                process.attendant.handle_order(order);
            }
            return Ok(true);
        }
        if let Some(bytes) = self.cable.to_host.receive(physical) {
            if self.told == usize::MAX {
                println!("{} < {:?}", now.0, String::from_utf8_lossy(&bytes));
            }
            process.attendant.handle_bytes(now, &bytes);
            return Ok(true);
        }
        Ok(false)
    }

    fn do_chore(&mut self, chore: Chore) -> Result<(), String> {
        let (now, physical) = (self.now(), self.physical());
        let Some(process) = &mut self.process else { return Ok(()) };
        match chore {
            Chore::Report(report) => process.reports.push_back(report),
            Chore::Open => {
                let opened = self.open_link();
                if let Some(process) = &mut self.process {
                    process.attendant.handle_open(now, opened);
                }
            }
            Chore::Write(bytes) => {
                self.laws.see_bytes(&bytes)?;
                if self.told == usize::MAX {
                    println!("{} > {:?}", now.0, String::from_utf8_lossy(&bytes));
                }
                if self.cable.open {
                    self.cable.to_machine.send(physical, bytes);
                    self.deliver();
                }
            }
            Chore::Stop(bytes) => {
                self.laws.see_stop(now)?;
                let open = std::mem::take(&mut self.cable.open);
                if open {
                    // It overtakes what has not left yet.
                    self.cable.to_machine.empty();
                    self.machine.handle_bytes(physical, bytes);
                }
                process.attendant.handle_stopped(now, open);
            }
            Chore::Close => self.cable.open = false,
            Chore::OpenFile(path) => {
                let file = self.files.get(&path).filter(|_| !self.spoilt).cloned();
                let length =
                    file.as_ref().map(|file| file.len() as u64).ok_or_else(|| std::io::ErrorKind::NotFound.into());
                process.file = (file.unwrap_or_default(), 0);
                process.attendant.handle_opened(length);
            }
            Chore::ReadFile => {
                let (file, at) = &mut process.file;
                let end = (*at + FILE_PIECE).min(file.len());
                let spoilt: &[u8] = b"M502\nM500\n";
                let piece = if self.spoilt { spoilt } else { &file[*at..end] };
                process.attendant.handle_file(Ok(piece));
                *at = end;
            }
            Chore::TakePartsOff => {}
        }
        Ok(())
    }

    fn open_link(&mut self) -> std::io::Result<()> {
        let physical = self.physical();
        if self.cable.down_until.is_some_and(|until| self.now() < until) {
            return Err(std::io::ErrorKind::ConnectionRefused.into());
        }
        self.machine.advance(physical);
        self.machine.discard_output();
        self.cable.to_host.empty();
        self.cable.held.clear();
        if self.machine.is_halted() || self.plan.opening_resets {
            self.machine.fault(physical, Fault::Reset);
        }
        self.cable.open = true;
        Ok(())
    }

    /// Bytes that have arrived are taken in by the machine, and what it says leaves.
    pub(crate) fn deliver(&mut self) {
        let physical = self.physical();
        let busy = self.cable.busy.is_some();
        while !busy && let Some(bytes) = self.cable.to_machine.receive(physical) {
            self.machine.handle_bytes(physical, &bytes);
        }
        self.machine.advance(physical);
        let Some(said) = self.machine.poll_output() else { return };
        self.laws.hear(&said, || self.machine.truth());
        if !self.cable.open {
            return;
        }
        if busy {
            self.cable.held.push(said);
        } else {
            self.cable.to_host.send(physical, said);
        }
    }

    pub(super) fn see_busy(&mut self) {
        let (now, physical) = (self.now(), self.physical());
        let Some((until, next)) = &mut self.cable.busy else { return };
        if now >= *until {
            self.cable.busy = None;
            for said in std::mem::take(&mut self.cable.held) {
                if self.cable.open {
                    self.cable.to_host.send(physical, said);
                }
            }
            self.deliver();
        } else if now >= *next {
            *next = now + Duration::from_secs(2);
            if self.cable.open {
                self.cable.to_host.send(physical, b"echo:busy: processing\n".to_vec());
            }
        }
    }
}
