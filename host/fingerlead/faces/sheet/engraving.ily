% How a sheet is drawn. Fixed text: nothing from a file of music or from a user ever gets in here; what is handed in
% are whole numbers and quoted strings.

#(define hole-radius 0.74)

% Where a hole's middle lies under the thumb's: the thumb stands apart, and so do the hands.
#(define (hole-at hole)
   (- (+ (* hole 1.8) (if (> hole 0) 0.6 0) (if (> hole 3) 0.9 0))))

#(define (disc covered)
   (if covered
       (make-circle-stencil hole-radius 0 #t)
       (make-circle-stencil (- hole-radius 0.08) 0.16 #f)))

#(define (centred stencil)
   (ly:stencil-aligned-to (ly:stencil-aligned-to stencil X CENTER) Y CENTER))

% One finger that moves: an open circle for a lift, a solid one for a finger put down, in it its place in the order.
#(define (step-mark layout props step covers)
   (let ((digit (centred (interpret-markup layout (prepend-alist-chain 'font-size -3 props)
                          (make-bold-markup (make-sans-markup (number->string step)))))))
     (ly:stencil-add (disc covers) (if covers (stencil-with-color digit white) digit))))

#(define (column-of draw size)
   (ly:stencil-scale
    (apply ly:stencil-add
           (map (lambda (hole) (ly:stencil-translate-axis (draw hole) (hole-at hole) Y)) (iota 8)))
    size size))

#(define-markup-command (holes layout props size mask) (number? integer?)
   (column-of (lambda (hole) (disc (logbit? hole mask))) size))

% Each of moves is (hole step covers); a dot stands for a finger that stays.
#(define-markup-command (moved layout props size moves) (number? list?)
   (column-of (lambda (hole)
                (let ((one (assv hole moves)))
                  (if one
                      (ly:stencil-scale (step-mark layout props (cadr one) (caddr one)) 0.96 0.96)
                      (make-circle-stencil 0.1 0 #t))))
              size))

#(define-markup-command (fingers layout props size names) (number? list?)
   (apply ly:stencil-add
          (map (lambda (hole name)
                 (ly:stencil-translate-axis
                  (ly:stencil-aligned-to (ly:stencil-aligned-to (interpret-markup layout props name) Y CENTER) X RIGHT)
                  (* size (hole-at hole)) Y))
               (iota 8) names)))

#(define-markup-command (disc-sign layout props covered) (boolean?)
   (ly:stencil-aligned-to (disc covered) Y DOWN))

#(define-markup-command (step-sign layout props step covers) (integer? boolean?)
   (ly:stencil-aligned-to (step-mark layout props step covers) Y DOWN))

% Signs over a note, told apart by their outlines.
#(define (outline points closed)
   (make-path-stencil (append (list 'moveto (caar points) (cdar points))
                              (append-map (lambda (point) (list 'lineto (car point) (cdr point))) (cdr points))
                              (if closed '(closepath) '()))
    0.22 1 1 #f))

#(define-markup-command (shape-sign layout props shape) (symbol?)
   (case shape
     ((cross) (ly:stencil-add (outline '((0 . 0) (1.3 . 1.3)) #f) (outline '((0 . 1.3) (1.3 . 0)) #f)))
     ((square) (outline '((0 . 0) (1.3 . 0) (1.3 . 1.3) (0 . 1.3)) #t))
     ((triangle) (outline '((0 . 0) (1.5 . 0) (0.75 . 1.3)) #t))
     (else (ly:stencil-translate (make-circle-stencil 0.65 0.22 #f) '(0.65 . 0.65)))))

\paper {
  tagline = ##f
  print-first-page-number = ##t
  bookTitleMarkup = \markup \fromproperty #'header:sheettitle
  scoreTitleMarkup = \markup \fromproperty #'header:heading
  oddHeaderMarkup = ##f
  evenHeaderMarkup = ##f
  oddFooterMarkup = \markup \fill-line {
    \fromproperty #'header:legend
    \sans \fontsize #1 \fromproperty #'page:page-number-string
  }
  evenFooterMarkup = \oddFooterMarkup
  top-margin = 10\mm
  bottom-margin = 10\mm
  left-margin = 15\mm
  right-margin = 15\mm
  ragged-bottom = ##t
  ragged-last-bottom = ##t
  ragged-last = ##t
  system-system-spacing.padding = #2.5
  % LilyPond breaks pages by heights that it has only estimated: it does not know that a system keeps its whole width to
  % itself (see below), which takes up to 1 staff space more. With the padding alone pages would be over-full by that.
  page-breaking-system-system-spacing =
    #'((basic-distance . 12) (minimum-distance . 8) (padding . 4) (stretchability . 60))
  score-markup-spacing.basic-distance = #8
  score-markup-spacing.padding = #3
  markup-system-spacing.padding = #2
}

\layout {
  indent = 0
  \context {
    \Score
    \numericTimeSignature
    $(add-grace-property 'Voice 'Beam 'damping +inf.0)
    % A system keeps its whole width to itself: pictures do not reach down beside the notes below.
    \override System.skyline-horizontal-padding = #200
    \override TupletBracket.direction = #UP
    \override BarNumber.font-size = #-3
  }
  \context {
    \Voice
    \autoBeamOff
    \override Stem.direction = #DOWN
    \override Slur.direction = #UP
    \override Tie.direction = #UP
    \override Rest.voiced-position = #0
  }
  \context {
    \Lyrics
    \override LyricText.font-family = #'sans
    \override LyricText.font-size = #0
    \override VerticalAxisGroup.nonstaff-nonstaff-spacing.padding = #1.3
    \override VerticalAxisGroup.nonstaff-relatedstaff-spacing.padding = #1.4
  }
}
