// Starts a driver's program on a thread of its own: looking at it, hashing it and starting it read from a disk, which may hang,
// and neither a daemon with other runs nor a guardian may hang with it.
#pragma once

#include <asio/io_context.hpp>
#include <functional>
#include <memory>
#include <string>

#include "journal/file.hpp"
#include "nightwell/driver_program.hpp"
#include "nightwell/result.hpp"
#include "program/spawn.hpp"

namespace nightwell::program {

// A program that runs, and our ends of its three pipes; none of them blocks.
struct StartedProgram {
  Spawned spawned;
  journal::File input, output, errors;
  bool changed = false;  // it is another file than the plan was made with
};

// One start. Destroyed before its end, what comes of it is killed and nobody is told.
class Starter {
 public:
  // Called from `io`. Errors: those of trusted_program, program_sha256 and spawn; refused: the file has changed since the plan
  // was made, unless even_if_changed.
  using Done = std::function<void(Result<std::shared_ptr<StartedProgram>>)>;

  Starter(asio::io_context& io, DriverProgram program, bool even_if_changed, Done done);
  Starter(const Starter&) = delete;
  Starter& operator=(const Starter&) = delete;
  ~Starter();

 private:
  struct Shared;
  std::shared_ptr<Shared> shared_;
};

}  // namespace nightwell::program
