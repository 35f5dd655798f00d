# Makes reference.tsv with R's own distribution functions, to check package
# sampling against a program that shares no code with it. Run in this folder:
#
#     Rscript reference.R > reference.tsv
#
# Only base R (stats) is used. A line is: quantity, N, A, n, k, e, c, d, value;
# fields that do not apply are "-". N packages, A infested, n examined, k found,
# e efficacy, c confidence, d level of detection.
#
# Where a count is searched for, a probability within 1e-11 of the limit counts
# as reaching it: R rounds, and an exact tie must not depend on how.

options(digits = 17, scipen = 100)
tie <- 1e-11
cat("# Made by reference.R with", R.version.string, "\n")
cat("quantity\tN\tA\tn\tk\te\tc\td\tvalue\n")
pct <- function(x) if (is.character(x)) x else paste0(format(100 * x, digits = 10, trim = TRUE), "%")
line <- function(quantity, N = "-", A = "-", n = "-", k = "-", e = "-", c = "-", d = "-", value) {
  v <- if (value == round(value) && abs(value) >= 1) format(value, trim = TRUE) else sprintf("%.15g", value)
  cat(quantity, format(N, trim = TRUE), format(A, trim = TRUE), format(n, trim = TRUE), k, pct(e), pct(c), pct(d), v, sep = "\t")
  cat("\n")
}

# P(at most k recognised), the efficacy applied to each infested package examined.
at_most <- function(N, A, n, k, e) {
  if (e == 1) return(phyper(k, A, N - A, n))
  j <- max(0, n + A - N):min(n, A)
  sum(dhyper(j, A, N - A, n) * pbinom(k, j, e))
}
# Smallest x in lo..hi with f(x) true, f going from false to true; hi + 1 if none.
smallest <- function(lo, hi, f) {
  while (lo <= hi) {
    mid <- lo + (hi - lo) %/% 2
    if (f(mid)) hi <- mid - 1 else lo <- mid + 1
  }
  lo
}

# Chance of detection.
for (N in c(3, 10, 25, 100, 240, 1000, 20000, 1000000, 10000000))
  for (share in c(0.001, 0.01, 0.02, 0.05, 0.2, 0.5, 1))
    for (part in c(0.0005, 0.005, 0.02, 0.1, 0.5, 0.95))
      for (e in c(1, 0.9, 0.5)) {
        A <- floor(N * share + 1e-9); n <- ceiling(N * part - 1e-9)
        if (A < 1 || (e < 1 && min(A, n) > 200000)) next
        line("chance", N = N, A = A, n = n, e = e, value = 1 - at_most(N, A, n, 0, e))
      }

# Sample sizes, hypergeometric; 0 where not even examining everything is enough.
for (N in c(10, 25, 50, 100, 237, 240, 300, 1000, 4711, 20000, 1000000, 10000000))
  for (d in c(0.2, 0.05, 0.02, 0.01, 0.005, 0.001))
    for (c in c(0.8, 0.9, 0.95, 0.99, 0.999))
      for (e in c(1, 0.95, 0.9, 0.5)) {
        A <- floor(N * d + 1e-9)
        if (A < 1 || (e < 1 && N > 1000000)) next
        a <- 1 - c
        n <- smallest(1, N, function(n) at_most(N, A, n, 0, e) <= a + tie)
        line("hypergeometric", N = N, e = e, c = c, d = d, value = if (n > N) 0 else n)
        A <- floor(N * d * e + 1e-9)
        if (A < 1) next
        line("effective-level", N = N, e = e, c = c, d = d,
             value = smallest(1, N, function(n) phyper(0, A, N - A, n) <= a + tie))
      }

# Sample sizes, binomial and Poisson.
for (d in c(1, 0.5, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001))
  for (c in c(0.8, 0.9, 0.95, 0.99, 0.999))
    for (e in c(1, 0.99, 0.95, 0.9, 0.85, 0.8, 0.75, 0.5, 0.25, 0.1)) {
      line("binomial", e = e, c = c, d = d,
           value = smallest(1, 1e7, function(n) pbinom(0, n, d * e) <= 1 - c + tie))
      line("poisson", e = e, c = c, d = d,
           value = smallest(1, 1e7, function(n) ppois(0, n * d * e) <= 1 - c + tie))
    }

# Exact upper limits after k found of n; N when nothing is ruled out.
for (N in c(5, 20, 100, 240, 1000, 20000))
  for (n in unique(c(1, 3, 5, 12, 59, 300, N)))
    for (k in c(0, 1, 2, 5, 20))
      for (c in c(0.9, 0.95, 0.99))
        for (e in c(1, 0.9)) {
          if (n > N || k > n || k > N - 1) next
          line("upper-limit", N = N, n = n, k = k, e = e, c = c,
               value = smallest(k + 1, N, function(A) at_most(N, A, n, k, e) <= 1 - c + tie) - 1)
        }

# Clopper and Pearson, one-sided.
for (n in c(1, 3, 5, 12, 59, 100, 299, 1000, 20000))
  for (k in c(0, 1, 2, 5, 20, 50))
    for (c in c(0.9, 0.95, 0.99)) {
      if (k >= n) next
      line("large-lot-limit", n = n, k = k, c = c, value = qbeta(c, k + 1, n - k))
    }
