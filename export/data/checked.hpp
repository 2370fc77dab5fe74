/*
 * int32_t that checks what is done with it. Included before an exported model, which is then compiled as C++17: its arithmetic runs
 * as it stands, and the program stops with exit code 70 where a result leaves int32_t, a negative value is shifted left, a value does
 * not fit the narrower type it is put into, or a value lies outside the range that its comment states. For tests on a computer.
 */
#ifndef CHECKED_HPP
#define CHECKED_HPP

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

namespace checked {

[[noreturn]] inline void stop(const char *what, long long value)
{
    (void)fprintf(stderr, "%s: %lld\n", what, value);
    exit(70);
}

template <bool holds, class T = void> struct when { };
template <class T> struct when<true, T> { using type = T; };

template <class A, class B> struct same { static constexpr bool value = false; };
template <class A> struct same<A, A> { static constexpr bool value = true; };

/* Built-in numbers; __is_integral is what the compiler's own library asks. */
template <class T> using number = typename when<__is_integral(T)>::type;

class int32 {
public:
    int32() = default; /* indeterminate until it is given a value, as in C */

    /* From a 32-bit unsigned number the bits are taken over: kernels that sum modulo 2^32 end so. */
    template <class T, class = number<T>> constexpr int32(T from)
        : held((sizeof(T) == 4U && static_cast<T>(-1) > static_cast<T>(0)) ? static_cast<int>(from) : narrowed(static_cast<long long>(from)))
    {
    }

    /* Indexing is the only conversion that needs no cast. */
    template <class T, class = typename when<same<T, ptrdiff_t>::value>::type> constexpr operator T() const { return held; }

    template <class T, class = number<T>, class = typename when<!same<T, ptrdiff_t>::value>::type, class = void> constexpr explicit operator T() const
    {
        if (same<T, bool>::value) {
            return static_cast<T>(held != 0);
        }
        const bool whole = (sizeof(T) >= 4U); /* every bit is kept */
        if (!whole && static_cast<long long>(static_cast<T>(held)) != static_cast<long long>(held)) {
            stop("a value does not fit its narrower type", held);
        }
        return static_cast<T>(held);
    }

    static constexpr int32 of(long long wide) { return int32(narrowed(wide)); }

    constexpr long long wide() const { return held; }

    int32 &operator+=(int32 other) { return *this = of(wide() + other.wide()); }
    int32 &operator-=(int32 other) { return *this = of(wide() - other.wide()); }
    int32 &operator*=(int32 other) { return *this = of(wide() * other.wide()); }
    int32 &operator++() { return *this += 1; }
    int32 &operator--() { return *this -= 1; }

    constexpr int32 operator-() const { return of(-wide()); }
    constexpr int32 operator+() const { return *this; }

    template <class T, class = number<T>> constexpr int32 operator<<(T by) const
    {
        if (held < 0) {
            stop("a negative value is shifted left", held);
        }
        in_reach(static_cast<long long>(by));
        return of(wide() << by);
    }

    template <class T, class = number<T>> constexpr int32 operator>>(T by) const
    {
        in_reach(static_cast<long long>(by));
        return of(wide() >> by);
    }

private:
    static constexpr int narrowed(long long wide)
    {
        if (wide < INT32_MIN || wide > INT32_MAX) {
            stop("a result leaves int32_t", wide);
        }
        return static_cast<int>(wide);
    }

    static constexpr void in_reach(long long by)
    {
        if (by < 0 || by > 31) {
            stop("a shift by", by);
        }
    }

    int held;
};

constexpr long long wide(int32 value) { return value.wide(); }
template <class T, class = number<T>> constexpr long long wide(T value) { return static_cast<long long>(value); }

#define CHECKED_BINARY(sign, result, made)                                                                                                  \
    constexpr result operator sign(int32 a, int32 b) { return made(wide(a) sign wide(b)); }                                              \
    template <class T, class = number<T>> constexpr result operator sign(int32 a, T b) { return made(wide(a) sign wide(b)); }            \
    template <class T, class = number<T>> constexpr result operator sign(T a, int32 b) { return made(wide(a) sign wide(b)); }

CHECKED_BINARY(+, int32, int32::of)
CHECKED_BINARY(-, int32, int32::of)
CHECKED_BINARY(*, int32, int32::of)
CHECKED_BINARY(/, int32, int32::of)
CHECKED_BINARY(%, int32, int32::of)
CHECKED_BINARY(&, int32, int32::of)
CHECKED_BINARY(|, int32, int32::of)
CHECKED_BINARY(^, int32, int32::of)
CHECKED_BINARY(<, bool, )
CHECKED_BINARY(>, bool, )
CHECKED_BINARY(<=, bool, )
CHECKED_BINARY(>=, bool, )
CHECKED_BINARY(==, bool, )
CHECKED_BINARY(!=, bool, )

/* The value itself, when it lies in the range that its comment states. */
template <class T> T within(T value, long long low, long long high, const char *name)
{
    if (wide(value) < low || wide(value) > high) {
        stop(name, wide(value));
    }
    return value;
}

/* The same of a value that is built up: looked at when it goes out of scope. */
class at_end {
public:
    at_end(const int32 &watched, long long least, long long most, const char *its_name)
        : value(watched), low(least), high(most), name(its_name)
    {
    }
    ~at_end() { (void)within(value, low, high, name); }

private:
    const int32 &value;
    long long low, high;
    const char *name;
};

} /* namespace checked */

#define int32_t checked::int32

#endif
