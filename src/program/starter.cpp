#include "program/starter.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <asio/post.hpp>
#include <cerrno>
#include <mutex>
#include <thread>
#include <utility>

#include "program/trusted_program.hpp"

namespace nightwell::program {

namespace {

using journal::File;

const std::string starting = "starting a driver's program";

struct Pipe {
  File ours, theirs;
};

// `to_them`: they read and we write.
Result<Pipe> make_pipe(bool to_them) {
  int ends[2] = {-1, -1};
  if (::pipe2(ends, O_CLOEXEC) != 0) return Error{Errc::unexpected, starting, journal::system_text(errno), ""};
  const File near(ends[to_them ? 0 : 1]);
  Pipe out{File(ends[to_them ? 1 : 0]), for_spawning(near.fd())};
  if (out.theirs.fd() < 0 || ::fcntl(out.ours.fd(), F_SETFL, O_NONBLOCK) != 0)
    return Error{Errc::unexpected, starting, journal::system_text(errno), ""};
  return out;
}

Result<std::shared_ptr<StartedProgram>> start_program(const DriverProgram& program, bool even_if_changed) {
  const auto trusted = trusted_program(program.path, starting);
  if (!trusted) return trusted.error();
  const auto digest = program_sha256(trusted->string());
  if (!digest) return digest.error();
  const bool changed = !program.sha256.empty() && *digest != program.sha256;
  if (changed && !even_if_changed)
    return Error{Errc::refused, starting, "the file has changed since the plan was made; start a new run with it",
                 program.path};
  auto input = make_pipe(true);
  auto output = make_pipe(false);
  auto errors = make_pipe(false);
  for (const auto* pipe : {&input, &output, &errors})
    if (!*pipe) return pipe->error();
  SpawnOrder order;
  order.program = trusted->string();
  order.arguments.push_back(program.path);
  order.arguments.insert(order.arguments.end(), program.arguments.begin(), program.arguments.end());
  order.input = input->theirs.fd();
  order.output = output->theirs.fd();
  order.errors = errors->theirs.fd();
  auto spawned = spawn(std::move(order), starting);
  if (!spawned) return spawned.error();
  auto out = std::make_shared<StartedProgram>();
  out->spawned = std::move(*spawned);
  out->input = std::move(input->ours);
  out->output = std::move(output->ours);
  out->errors = std::move(errors->ours);
  out->changed = changed;
  return out;
}

}  // namespace

struct Starter::Shared {
  std::mutex mutex;
  asio::io_context* io = nullptr;  // guarded; nothing once the owner is gone
  Done done;

  void tell(Result<std::shared_ptr<StartedProgram>> started, const std::shared_ptr<Shared>& self) {
    // Held while it is posted: an owner that goes away waits for that, and its loop may go after it.
    const std::lock_guard lock(mutex);
    if (io == nullptr) {
      if (started) kill_group_and_reap((*started)->spawned.pid);
      return;
    }
    asio::post(*io, [self, started = std::move(started)] {
      if (self->io != nullptr) return self->done(started);
      if (started) kill_group_and_reap((*started)->spawned.pid);
    });
  }
};

Starter::Starter(asio::io_context& io, DriverProgram program, bool even_if_changed, Done done)
    : shared_(std::make_shared<Shared>()) {
  shared_->io = &io;
  shared_->done = std::move(done);
  // Detached: it holds what it needs by itself.
  std::thread([shared = shared_, program = std::move(program), even_if_changed] {
    shared->tell(start_program(program, even_if_changed), shared);
  }).detach();
}

Starter::~Starter() {
  const std::lock_guard lock(shared_->mutex);
  shared_->io = nullptr;
}

}  // namespace nightwell::program
