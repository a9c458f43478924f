// Whose turn a conversation is: true from the making of a Turn to its end, however the coroutine that holds it ends. Lifetime: the
// flag outlives it.
#pragma once

namespace nightwell::instrument {

class Turn {
 public:
  explicit Turn(bool& talking) : talking_(talking) { talking_ = true; }
  Turn(const Turn&) = delete;
  Turn& operator=(const Turn&) = delete;
  ~Turn() { talking_ = false; }

 private:
  bool& talking_;
};

}  // namespace nightwell::instrument
