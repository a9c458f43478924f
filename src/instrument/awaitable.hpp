// The one spelling of "await this and give me the error code" (asio 1.22 has it under experimental).
#pragma once

#include <asio/experimental/as_tuple.hpp>
#include <asio/use_awaitable.hpp>

namespace nightwell::instrument {

inline constexpr asio::experimental::as_tuple_t<asio::use_awaitable_t<>> use_tuple(asio::use_awaitable);

}  // namespace nightwell::instrument
