#![no_std]
//! A simulated rig.
