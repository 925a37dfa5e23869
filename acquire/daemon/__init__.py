"""The daemon's one thread: ports in, a pull, the archive, frames for screens."""
