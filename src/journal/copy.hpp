// A second copy of one file of a journal, byte for byte, kept by a thread of its own: its disk or share may stall, vanish or fill
// up without holding anybody.
//
// Copied is only what is on disk in the first place, so that the copy never has a line more. After an error it starts again at the
// last byte that is known to be on the copy's disk, 10 s later and again and again, also behind the end of the run. A copy that was
// taken away meanwhile is made anew, and one that holds other bytes is let be. A share that was mounted anew is known by the copy
// that was begun on it; one is made only on the device that the folder of the run's folder was on at the start: an unmounted share
// must not fill the disk below it.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <utility>

namespace nightwell::journal {

class Copy {
 public:
  enum class News { behind, caught_up };
  // Called once as it falls behind and once as it has caught up again: on the copy's thread, or from offer() where that thread hangs.
  using Tell = std::function<void(News, std::string text)>;

  struct Pauses {
    std::chrono::milliseconds between{1000}, after_error{10'000};
    std::chrono::milliseconds longest_hang{60'000};  // a disk that answers nothing for so long: it is behind
    std::chrono::milliseconds after_end{std::chrono::hours{24}};  // so long it is tried once nothing more is offered
  };

  // `target` must not exist; its folder is made where it does not.
  static std::shared_ptr<Copy> start(std::filesystem::path source, std::filesystem::path target, Tell tell,
                                     Pauses pauses);
  static std::shared_ptr<Copy> start(std::filesystem::path source, std::filesystem::path target, Tell tell) {
    return start(std::move(source), std::move(target), std::move(tell), Pauses());
  }

  // The first `bytes` of the source are on disk.
  void offer(std::uint64_t bytes);
  // How many bytes of what was offered are not on the copy's disk.
  [[nodiscard]] std::uint64_t behind() const;
  // Nothing more is offered: tries at once, then again and again until all is copied, for Pauses::after_end at most.
  void finish();
  // Waits for that. False: it is not done, and goes on by itself.
  bool wait(std::chrono::milliseconds patience);

 private:
  struct State;
  explicit Copy(std::shared_ptr<State> state) : state_(std::move(state)) {}
  std::shared_ptr<State> state_;
};

}  // namespace nightwell::journal
