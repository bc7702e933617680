//! Shared kit of the workspace-level tests.
